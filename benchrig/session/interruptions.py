"""Ways in which a step ends before its time. Each is raised in a step and caught by the runner, nowhere between."""

from __future__ import annotations

from ..errors import BenchrigError


class StepCut(BenchrigError):
    """A step cannot go on as it is."""


class Skipped(StepCut):
    """The person skips this step and says why."""


class Lapsed(StepCut):
    """The acknowledgement is gone. `again`: it makes sense to ask once more."""


class StopAsked(StepCut):
    """The person ends the job."""

    exit_code = 3


class Breach(StepCut):
    """A value above the ceiling, or a dangerous voltage where none was declared."""

    exit_code = 1
