"""The phases of a soak, as one table."""

from __future__ import annotations

import enum
from collections.abc import Mapping


class Phase(enum.StrEnum):
    """Where a soak stands."""

    WARMING = "warming up"
    WATCHING = "watching"
    OFF = "off for a while"
    OVER = "over"


class Move(enum.StrEnum):
    """What moves it."""

    WARM = "warm"
    SWITCHED_OFF = "switched off"
    SWITCHED_ON = "switched on"
    ENDED = "ended"


TRANSITIONS: Mapping[tuple[Phase, Move], Phase] = {
    (Phase.WARMING, Move.WARM): Phase.WATCHING,
    (Phase.WARMING, Move.SWITCHED_OFF): Phase.OFF,
    (Phase.WATCHING, Move.SWITCHED_OFF): Phase.OFF,
    (Phase.OFF, Move.SWITCHED_ON): Phase.WARMING,
    (Phase.WARMING, Move.ENDED): Phase.OVER,
    (Phase.WATCHING, Move.ENDED): Phase.OVER,
    (Phase.OFF, Move.ENDED): Phase.OVER,
}


def moved(phase: Phase, move: Move) -> Phase:
    """Raises RuntimeError for a move that is not in the table: a defect of the program."""
    after = TRANSITIONS.get((phase, move))
    if after is None:
        raise RuntimeError(f"A soak that is {phase} cannot take {move!r}.")
    return after
