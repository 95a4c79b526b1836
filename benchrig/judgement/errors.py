"""What cannot be judged. Like every error of benchrig these carry the numbers and the next step."""

from __future__ import annotations

from ..errors import BenchrigError, FileError


class WindowError(FileError):
    """A window that nothing can be judged against, or a decision rule that does not exist."""


class UncertaintyError(BenchrigError):
    """A value, an uncertainty, a number of degrees of freedom or a specification that means nothing."""


class SeriesError(BenchrigError):
    """A series of readings that the asked-for statistic does not exist for; the text carries the numbers."""
