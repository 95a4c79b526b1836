"""A value that a person reads and types, and how well it is known."""

from __future__ import annotations

import re

from ..errors import UnitError
from ..procedure.quantities import TypedSource
from ..units import quantity_in
from .verdicts import Value
from .work import Work


def typed_value(work: Work, source: TypedSource, text: str) -> Value | None:
    """What a person reads and types, asked again until it is a quantity; None if they would not."""
    while (typed := work.enter(text, source.shown_unit)) is not None:
        try:
            return Value(quantity_in(typed, source.unit), _last_place(typed, source.unit), source.unit)
        except UnitError as error:
            work.say(str(error), "warning")
    return None


_NUMBER = re.compile(r"[+-]?\d*(?:\.(?P<places>\d*))?(?:[eE](?P<exponent>[+-]?\d+))?", re.ASCII)


def _last_place(typed: str, unit: str) -> float:
    """Standard uncertainty of a value read to its last written place: rectangular over half of it each way."""
    number = _NUMBER.match(typed.strip())
    assert number is not None  # every part of it may be missing
    places, exponent = len(number["places"] or ""), int(number["exponent"] or 0)
    one = quantity_in(f"1{typed.strip()[number.end() :]}", unit)  # of the unit as it was written
    return float(one * 10.0 ** (exponent - places) / 12.0**0.5)
