"""The phases of a soak, as one table."""

from __future__ import annotations

import enum
from collections.abc import Mapping


class SoakPhase(enum.StrEnum):
    """Where a soak stands."""

    WARMING = "warming up"
    WATCHING = "watching"
    OFF = "off for a while"
    OVER = "over"


class SoakMove(enum.StrEnum):
    """What moves it."""

    WARM = "warm"
    SWITCHED_OFF = "switched off"
    SWITCHED_ON = "switched on"
    ENDED = "ended"


TRANSITIONS: Mapping[tuple[SoakPhase, SoakMove], SoakPhase] = {
    (SoakPhase.WARMING, SoakMove.WARM): SoakPhase.WATCHING,
    (SoakPhase.WARMING, SoakMove.SWITCHED_OFF): SoakPhase.OFF,
    (SoakPhase.WATCHING, SoakMove.SWITCHED_OFF): SoakPhase.OFF,
    (SoakPhase.OFF, SoakMove.SWITCHED_ON): SoakPhase.WARMING,
    (SoakPhase.WARMING, SoakMove.ENDED): SoakPhase.OVER,
    (SoakPhase.WATCHING, SoakMove.ENDED): SoakPhase.OVER,
    (SoakPhase.OFF, SoakMove.ENDED): SoakPhase.OVER,
}


def moved(phase: SoakPhase, move: SoakMove) -> SoakPhase:
    """Raises RuntimeError for a move that is not in the table: a defect of the program."""
    after = TRANSITIONS.get((phase, move))
    if after is None:
        raise RuntimeError(f"A soak that is {phase} cannot take {move!r}.")
    return after
