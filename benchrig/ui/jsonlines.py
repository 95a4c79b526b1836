"""Notices as JSON lines: one object a line, `kind` and `at` in each, SI units, no number where there is none."""

from __future__ import annotations

import enum
import json
import math
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any, TextIO

from ..clock import Clock
from ..readings import flag_names
from ..session.notices import Notice, SoakMoved
from .display import Display


def as_data(value: Any) -> Any:
    """`value` in JSON's own types. Flags become a list of names; a float that is not a number becomes null."""
    if isinstance(value, enum.Flag):
        return [name.lower() for name in flag_names(value)]
    if isinstance(value, enum.Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_data(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, list | tuple):
        return [as_data(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def line(notice: Notice, at: datetime) -> str:
    """The notice as one line of JSON without its line end."""
    return json.dumps({"kind": notice.kind, "at": at.isoformat(timespec="milliseconds"), **as_data(notice)})


SOAK_PACE = 1.0  # s between lines of how a soak stands, where no state changed: a week of them must fit on a disk


class JsonLines(Display):
    """A display that writes each notice to `file` at once; how a soak stands once a second, and on every change."""

    def __init__(self, file: TextIO, clock: Clock) -> None:
        self._file = file
        self._clock = clock
        self._soak: tuple[float, object] = (-math.inf, None)

    def show(self, notice: Notice) -> None:
        if isinstance(notice, SoakMoved) and not self._worth_a_line(notice):
            return
        self._file.write(line(notice, self._clock.stamp()) + "\n")
        self._file.flush()

    def _worth_a_line(self, notice: SoakMoved) -> bool:
        stands = (notice.state, *((it.name, it.state) for it in notice.channels))
        due = self._clock.now() - self._soak[0] >= SOAK_PACE or stands != self._soak[1]
        if due:
            self._soak = (self._clock.now(), stands)
        return due
