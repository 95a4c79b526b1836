"""What a simulated person sees on the Skerry 14 when asked in words, and how a control is set by eye.

Rules kept here: words are matched, meanings are not guessed; what is not understood gets no number. Every value
goes through the hands' own looking, with its errors; none is taken from the truth.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from . import unit_figures as f
from .hands import LENGTHS

# A pattern of words -> what is looked at. The first that matches counts.
_ASKED: tuple[tuple[str, str], ...] = (
    (r"\bc101\b", "A1 C101"),
    (r"\bc102\b", "A1 C102"),
    (r"\bc401\b", "A4 C401"),
    (r"\brvx\b|(stick|controller).*\bx\b", "stick x"),
    (r"\brvy\b|(stick|controller).*\by\b", "stick y"),
    (r"tp22|rv22|(join|gap|lattice|ramp).*vertical|vertical.*(join|gap|ramp)", "gap vertical"),
    (r"tp23|rv23|(join|gap|lattice|ramp).*horizontal|horizontal.*(join|gap|ramp)", "gap horizontal"),
    (r"ring a\b|left", "margins left-right"),
    (r"ring b\b|top", "margins top-bottom"),
    (r"rv31|width", "tile width"),
    (r"rv32|height", "tile height"),
    (r"bar|intensity|brightness|wedge", "intensity"),
)

# What a control sets by eye: control -> (what is looked at, where it should be, degrees thought to move it by one)
BY_EYE: dict[str, tuple[str, float, float]] = {
    "RV22": ("gap vertical", 0.0, 45.0),
    "RV23": ("gap horizontal", 0.0, 45.0),
    "RV31": ("tile width", f.TILE, 40.0),
    "RV32": ("tile height", f.TILE, 40.0),
    "ring A": ("margins left-right", 0.0, 4.5),
    "ring B": ("margins top-bottom", 0.0, 4.5),
    "intensity": ("intensity", 4.0, 14.0),
    "RVX": ("stick x", f.STICK_CENTRE, 3.8),
    "RVY": ("stick y", f.STICK_CENTRE, 3.8),
}
_GOOD_ENOUGH = {"gap": 0.1, "tile": 0.05, "margins": 0.5, "intensity": 0.0, "stick": 0.0}


def asked_for(words: str) -> str | None:
    """What the words ask to be looked at, or None."""
    lower = words.lower()
    return next((name for pattern, name in _ASKED if re.search(pattern, lower)), None)


def look(hands: Any, name: str) -> float:
    """The number that a person gets by looking."""
    if name in LENGTHS:
        return float(hands.ruler(name))
    if name.startswith("stick "):
        return float(hands.code(name[-1]))
    if name == "intensity":
        return float(hands.bar())
    return float(hands.esr(name))


def typed(hands: Any, words: str, unit: str) -> str | None:
    """What a person types when asked in these words for a quantity in `unit`; None if it is not understood."""
    name = asked_for(words)
    if name is None:
        return None
    value = look(hands, name)
    if name in LENGTHS:
        return f"{value:.2f} mm"
    if name in f.ESR:
        return f"{value:.2f} ohm"
    return f"{value:g}" if unit in ("", "1") else f"{value:g} {unit}"


def chosen(hands: Any, words: str, choices: Sequence[str]) -> str:
    """Which of the choices a person would pick; the first is the good one where nothing speaks against it."""
    if (tapped := re.search(r"\btap (\w+)", words, re.IGNORECASE)) is not None:
        return choices[1 if hands.tap(tapped.group(1)) else 0]
    name = asked_for(words)
    if name is None:
        return choices[0]
    if name == "intensity":
        return _bars(hands.bar(), choices)
    good = next((target for look_at, target, _ in BY_EYE.values() if look_at == name), None)
    if good is None or abs(look(hands, name) - good) <= 6.0 * _good_enough(name) or len(choices) < 2:
        return choices[0]
    return choices[1]


def set_by_eye(hands: Any, control: str, wait: Callable[[float], None], tries: int = 12) -> bool:
    """Look, turn, wait, look again, until it is as good as the eye can tell. False if it never got there."""
    name, target, degrees = BY_EYE[control]
    for _ in range(tries):
        error = target - look(hands, name)
        if abs(error) <= _good_enough(name):
            return True
        hands.turn(control, degrees * error)
        wait(0.4)
    return False


def _good_enough(name: str) -> float:
    return _GOOD_ENOUGH[name.split()[0]]


def _bars(seen: int, choices: Sequence[str]) -> str:
    words = "bright" if seen > 4 else "dark|dim"
    if seen == 4:
        return choices[0]
    return next((choice for choice in choices[1:] if re.search(words, choice.lower())), choices[-1])
