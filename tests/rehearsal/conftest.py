"""The fixture of a short job over real links."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from short_job import Job, served


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    """A served bench, and the means to run a short procedure on it."""
    with served(tmp_path) as one:
        yield one
