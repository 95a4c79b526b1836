"""Switching the unit's power through the bench's supply, and not believing it until it is seen."""

from __future__ import annotations

from dataclasses import dataclass

from ..clock import Clock
from ..errors import BenchrigError
from ..instruments import Function
from ..units import show
from .tools import PowerSwitch

SEEN_WITHIN = 10.0  # s in which the terminals must follow
LOOK = 0.5
OFF_BELOW = 1.0  # V at the terminals that count as off
ANSWER = 5.0


@dataclass(frozen=True, slots=True)
class Switched:
    """How it went. `sure`: the supply says so, and its terminals show it."""

    sure: bool
    words: str


def in_reach(supply: PowerSwitch | None) -> str:
    """Why the supply could not be told to switch off, were it asked now; "" where it answers, or there is none."""
    try:
        if supply is not None:
            supply.output_is_on()
    except BenchrigError as error:
        return f"The supply does not answer: {error}"
    return ""


def switched(supply: PowerSwitch | None, on: bool, clock: Clock) -> Switched:
    """Switch the supply's output and look whether it did. Raises nothing."""
    wanted = "on" if on else "off"
    if supply is None:
        return Switched(False, "The bench has no supply that could switch the unit.")
    try:
        supply.set_output(on)
        if supply.output_is_on() is not on:
            return Switched(False, f"The supply does not say that it is {wanted}.")
        return _seen(supply, on, clock)
    except Exception as error:  # at the end of a job nothing may stop what comes behind this
        words = str(error) if isinstance(error, BenchrigError) else f"{type(error).__name__}: {error}"
        return Switched(False, f"The supply did not switch {wanted}: {words}")


def _seen(supply: PowerSwitch, on: bool, clock: Clock) -> Switched:
    until = clock.now() + SEEN_WITHIN
    while True:
        volts = supply.measure(Function.DC_VOLTAGE, clock.now() + ANSWER).value
        if volts is not None and (abs(volts) < OFF_BELOW) is not on:
            return Switched(True, f"Supply switched {'on' if on else 'off'}, {show(volts, 'V')} at its terminals.")
        if clock.now() >= until:
            shown = "nothing readable" if volts is None else show(volts, "V")
            return Switched(False, f"The supply's terminals show {shown} after {SEEN_WITHIN:.0f} s.")
        clock.sleep_until(clock.now() + LOOK)
