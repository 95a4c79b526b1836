"""How a family of oscilloscopes spells what all of them can set. Pure: `scope_base` sends it.

A form is a message with two places: {channel} is the channel's number from 1, {value} a number without a unit or a word
of the family's own. A form that is missing is of a setting that the family makes in another way, or need not make.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from .scpi_common import number_text

_COUPLINGS = MappingProxyType({"dc": "DC", "ac": "AC", "ground": "GND"})
_SLOPES = MappingProxyType({"rising": "POS", "falling": "NEG"})
_SWEEPS = MappingProxyType({"auto": "AUTO", "normal": "NORM"})


@dataclass(frozen=True, slots=True)
class FamilyWords:
    """The spellings of one branch of a family.

    forms    by name: "shown" (what is not displayed gives no record), "probe", "coupling", "limit", "scale", "offset";
             "time scale", "time position"; "trigger mode", and so on with source, slope, level, sweep
    stop     keeps the present record
    limits   bandwidth limit on, off
    couplings, slopes, sweeps   our word -> the family's
    plain_input   not inverted, volts, 1 Mohm: each for the models that have it
    plain_record  one acquisition a record, against time: each for the models that have it
    offset_sign   of the volts at the centre of the screen
    gain     a probe is told by its gain, 1 / factor
    """

    forms: Mapping[str, str]
    stop: str
    limits: tuple[str, str]
    couplings: Mapping[str, str] = field(default_factory=lambda: _COUPLINGS)
    slopes: Mapping[str, str] = field(default_factory=lambda: _SLOPES)
    sweeps: Mapping[str, str] = field(default_factory=lambda: _SWEEPS)
    plain_input: tuple[str, ...] = ()
    plain_record: tuple[str, ...] = ()
    offset_sign: float = 1.0
    gain: bool = False

    def messages(self, values: Mapping[str, float | str | None], channel: int, of: str = "") -> dict[str, str]:
        """What to send, by the name it is remembered under: `of` and the form's. Nothing where a value is None."""
        return {
            of + name: self.forms[name].format(channel=channel, value=_text(value))
            for name, value in values.items()
            if value is not None and name in self.forms
        }


def _text(value: float | str) -> str:
    return value if isinstance(value, str) else number_text(value)


def named(models: Iterable[tuple[str, str]], name: str) -> str:
    """The variant beside the first pattern that `name`, upper case, begins with; "" where there is none."""
    return next((variant for pattern, variant in models if re.match(pattern, name)), "")
