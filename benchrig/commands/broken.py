"""Finding the job that `--resume` goes on with."""

from __future__ import annotations

from pathlib import Path

from ..errors import FileError
from ..records import History


def broken_off(record: Path, serial: str, digest: str) -> int:
    """The number of this unit's newest job with this procedure file. Raises FileError if it was not broken off."""
    with History(record) as history:
        job = history.unfinished(serial, digest)
    if job is None:
        raise FileError(
            f"There is no job of unit {serial!r} with this procedure that was broken off.",
            next_step="Look with `benchrig jobs`; or run without --resume.",
        )
    return job.id
