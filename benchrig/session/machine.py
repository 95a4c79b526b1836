"""The session's machine, pure: what may come next, with or without a live hazardous point.

Rules it keeps:
1. Every move is in `TRANSITIONS`, one table. A move that is not in it is an error of the program and raises.
2. Once a hazardous point has been live, the only ways on are: the same hazard acknowledged again, or making it safe.
   Nothing that needs hands, and no end, comes before the point was made safe or the attempt has failed.
3. A refusal, a ceiling, trouble and a stop end the job; they never go back to another step.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, replace


class Phase(enum.StrEnum):
    """Where the session stands. "live" in a name: a hazardous point has been live and was not made safe yet."""

    READY = "ready"  # between steps, hands free
    ASKING = "asking"  # at a hold point, nothing live
    WORKING = "working"  # in a step without a hazard
    PAUSED = "paused"
    LIVE_WORKING = "working, live"
    LIVE_READY = "ready, live"  # between steps, hands out
    LIVE_ASKING = "asking, live"
    SECURING = "securing"  # make-safe is going on
    UNSAFE = "not made safe"  # ended, and the point must be taken for live
    ENDED = "ended"


class Move(enum.StrEnum):
    """What moves a session."""

    BEGIN = "begin"  # a step without a hazard
    REACH = "reach"  # a step with a hazard
    ACKNOWLEDGED = "acknowledged"
    REFUSED = "refused"
    DONE = "done"  # the step ended, whatever its verdict
    LAPSED = "lapsed"  # the acknowledgement is gone; the step goes on when it is given again
    PAUSE = "pause"
    RESUME = "resume"
    SECURE = "secure"  # make-safe begins
    SECURED = "secured"
    NOT_SECURED = "not secured"
    CUT = "cut"  # a ceiling, trouble, a stop: the job is to end
    END = "end"


TRANSITIONS: Mapping[tuple[Phase, Move], Phase] = {
    (Phase.READY, Move.BEGIN): Phase.WORKING,
    (Phase.READY, Move.REACH): Phase.ASKING,
    (Phase.READY, Move.CUT): Phase.READY,
    (Phase.READY, Move.END): Phase.ENDED,
    (Phase.WORKING, Move.DONE): Phase.READY,
    (Phase.WORKING, Move.PAUSE): Phase.PAUSED,
    (Phase.WORKING, Move.CUT): Phase.READY,
    (Phase.PAUSED, Move.RESUME): Phase.WORKING,
    (Phase.PAUSED, Move.CUT): Phase.READY,
    (Phase.ASKING, Move.ACKNOWLEDGED): Phase.LIVE_WORKING,
    (Phase.ASKING, Move.REFUSED): Phase.READY,
    (Phase.ASKING, Move.CUT): Phase.READY,
    (Phase.LIVE_WORKING, Move.DONE): Phase.LIVE_READY,
    (Phase.LIVE_WORKING, Move.LAPSED): Phase.LIVE_READY,
    (Phase.LIVE_WORKING, Move.CUT): Phase.LIVE_READY,
    (Phase.LIVE_READY, Move.REACH): Phase.LIVE_ASKING,
    (Phase.LIVE_READY, Move.CUT): Phase.LIVE_READY,
    (Phase.LIVE_READY, Move.SECURE): Phase.SECURING,
    (Phase.LIVE_ASKING, Move.ACKNOWLEDGED): Phase.LIVE_WORKING,
    (Phase.LIVE_ASKING, Move.REFUSED): Phase.LIVE_READY,
    (Phase.LIVE_ASKING, Move.CUT): Phase.LIVE_READY,
    (Phase.SECURING, Move.SECURED): Phase.READY,
    (Phase.SECURING, Move.NOT_SECURED): Phase.UNSAFE,
    (Phase.SECURING, Move.CUT): Phase.UNSAFE,
}

LIVE = frozenset({Phase.LIVE_WORKING, Phase.LIVE_READY, Phase.LIVE_ASKING, Phase.SECURING, Phase.UNSAFE})
OVER = frozenset({Phase.ENDED, Phase.UNSAFE})


@dataclass(frozen=True, slots=True)
class Session:
    """`hazard` names what is being asked about or has been live; `ending` why no further step may begin."""

    phase: Phase = Phase.READY
    hazard: str = ""
    ending: str = ""

    @property
    def hands_may_go_in(self) -> bool:
        return self.phase not in LIVE


ENDING = frozenset({Move.REFUSED, Move.CUT, Move.NOT_SECURED})
STARTING = frozenset({Move.BEGIN, Move.REACH})


def step(session: Session, move: Move, *, hazard: str = "", why: str = "") -> Session:
    """One move. Raises RuntimeError where it is not allowed; the session is then as it was."""
    phase = TRANSITIONS.get((session.phase, move))
    if phase is None or (move in STARTING and session.ending):
        raise RuntimeError(f"A session that is {session.phase} ({session.ending or 'going on'}) cannot {move}.")
    if move is Move.REACH and session.phase is Phase.LIVE_READY and hazard != session.hazard:
        raise RuntimeError(f"{session.hazard} has been live and must be made safe before {hazard} is reached.")
    named = hazard if move is Move.REACH else "" if phase not in LIVE and phase is not Phase.ASKING else session.hazard
    return replace(
        session, phase=phase, hazard=named, ending=session.ending or (why or str(move) if move in ENDING else "")
    )
