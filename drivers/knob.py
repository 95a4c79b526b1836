"""Does a reading fit the function that was asked for, on a meter whose knob only a hand can turn?"""

from __future__ import annotations

from benchrig.errors import WrongFunction
from benchrig.instruments import FUNCTION_UNIT, Function
from benchrig.readings import Flag, Reading

_AC_DC = Flag.AC | Flag.DC
_MARKS = _AC_DC | Flag.DIODE | Flag.CONTINUITY

# The marks a reading must carry, and the marks it must not.
_NEEDS = {
    Function.AC_VOLTAGE: Flag.AC,
    Function.AC_CURRENT: Flag.AC,
    Function.DIODE: Flag.DIODE,
}
_EXCLUDES = {
    Function.DC_VOLTAGE: Flag.AC | Flag.DIODE,
    Function.AC_VOLTAGE: Flag.DC | Flag.DIODE,
    Function.DC_CURRENT: Flag.AC,
    Function.AC_CURRENT: Flag.DC,
    Function.RESISTANCE: Flag.CONTINUITY,
}


def fits(function: Function, reading: Reading) -> bool:
    """True if `reading` can be of `function`. Plain ohms pass for continuity: not every link shows the beeper."""
    needs, excludes = _NEEDS.get(function, Flag.NONE), _EXCLUDES.get(function, Flag.NONE)
    return reading.unit == FUNCTION_UNIT[function] and reading.flags & needs == needs and not reading.flags & excludes


def check(function: Function | None, reading: Reading, instrument: str) -> None:
    """Raises WrongFunction if the knob stands elsewhere than on `function`."""
    if function is None or fits(function, reading):
        return
    marks = str(reading.flags & _MARKS).removeprefix("Flag.").replace("|", " ").lower()
    seen = " ".join(part for part in (reading.unit, marks if reading.flags & _MARKS else "") if part)
    raise WrongFunction(
        f"{instrument} shows {reading.text!r} ({seen}), but {function.value} was asked for.",
        instrument=instrument,
        next_step=f"Turn its knob to {function.value}.",
    )
