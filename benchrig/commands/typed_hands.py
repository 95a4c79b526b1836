"""Hands at a served bench, one typed line each: leads, trimmers, the unit's switch, its card, the discharge stick.

Rules kept here: a line does one thing or says why not; nothing typed can end the bench; what would hurt somebody at a
real one is done all the same, and said.
"""

from __future__ import annotations

import math
import re
from typing import Any

HELP = """\
handheld on A1 TP2               a lead moved; with a probe: meter on A4 TP40 with eht_probe
handheld off                     a lead lifted
RV21 +30                         a trimmer turned, degrees, clockwise positive
power off, discharge, card grid  the unit's switch; the bleeder stick; the pattern card
?                                this, where the leads hang, and the trimmers"""

_LEAD = re.compile(r"(?P<lead>\S+) +on +(?P<point>.+?)(?: +with +(?P<probe>\S+))?")
_LIFT = re.compile(r"(?P<lead>\S+) +off")
_TURN = re.compile(r"(?P<trimmer>.+?) +(?P<degrees>[+-]?\d+(?:\.\d+)?)")


def act(line: str, hands: Any) -> str:
    """Do what `line` says with the bench's `hands`; returns what to say about it. Raises nothing that a line causes."""
    before = len(hands.incidents)
    try:
        words = _done(" ".join(line.split()), hands)
    except (LookupError, ValueError) as error:  # a name that the bench has not got lists those that it has
        return str(error)
    return "\n".join([words, *(f"That would have hurt somebody: {it}" for it in hands.incidents[before:])])


def _done(line: str, hands: Any) -> str:
    match line:
        case "":
            return ""
        case "?" | "help":
            return _state(hands)
        case "power on" | "power off":
            hands.power(line == "power on")
            return f"The unit is {'on' if hands.powered() else 'off'}."
        case "discharge":
            hands.discharge()
            return "Discharged."
    if line.startswith("card "):
        hands.card(line.removeprefix("card "))
        return f"Card: {line.removeprefix('card ')}."
    if lift := _LIFT.fullmatch(line):
        hands.probe(lift["lead"])
        return f"{lift['lead']} hangs free."
    if lead := _LEAD.fullmatch(line):
        hands.probe(lead["lead"], lead["point"], lead["probe"] or "")
        return f"{lead['lead']} is on {lead['point']}."
    if turn := _TURN.fullmatch(line):
        moved = hands.turn(turn["trimmer"], float(turn["degrees"]))
        stopped = "" if math.isclose(moved, float(turn["degrees"]), abs_tol=0.5) else ", at its end"
        return f"{turn['trimmer']} turned {moved:+.0f} degrees{stopped}."
    return "Not understood; ? shows what can be typed."


def _state(hands: Any) -> str:
    leads = [
        f"{name} on {point}{f' with {via}' if via else ''}" for name, (point, via) in hands.probes().items() if point
    ]
    trimmers = [f"{name} ({travel:.0f} degrees)" for name, travel in hands.controls().items()]
    return "\n".join([HELP, f"Leads: {', '.join(leads) or 'all free'}.", f"Trimmers: {', '.join(trimmers)}."])
