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


class SessionPhase(enum.StrEnum):
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


class SessionMove(enum.StrEnum):
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


TRANSITIONS: Mapping[tuple[SessionPhase, SessionMove], SessionPhase] = {
    (SessionPhase.READY, SessionMove.BEGIN): SessionPhase.WORKING,
    (SessionPhase.READY, SessionMove.REACH): SessionPhase.ASKING,
    (SessionPhase.READY, SessionMove.CUT): SessionPhase.READY,
    (SessionPhase.READY, SessionMove.END): SessionPhase.ENDED,
    (SessionPhase.WORKING, SessionMove.DONE): SessionPhase.READY,
    (SessionPhase.WORKING, SessionMove.PAUSE): SessionPhase.PAUSED,
    (SessionPhase.WORKING, SessionMove.CUT): SessionPhase.READY,
    (SessionPhase.PAUSED, SessionMove.RESUME): SessionPhase.WORKING,
    (SessionPhase.PAUSED, SessionMove.CUT): SessionPhase.READY,
    (SessionPhase.ASKING, SessionMove.ACKNOWLEDGED): SessionPhase.LIVE_WORKING,
    (SessionPhase.ASKING, SessionMove.REFUSED): SessionPhase.READY,
    (SessionPhase.ASKING, SessionMove.CUT): SessionPhase.READY,
    (SessionPhase.LIVE_WORKING, SessionMove.DONE): SessionPhase.LIVE_READY,
    (SessionPhase.LIVE_WORKING, SessionMove.LAPSED): SessionPhase.LIVE_READY,
    (SessionPhase.LIVE_WORKING, SessionMove.CUT): SessionPhase.LIVE_READY,
    (SessionPhase.LIVE_READY, SessionMove.REACH): SessionPhase.LIVE_ASKING,
    (SessionPhase.LIVE_READY, SessionMove.CUT): SessionPhase.LIVE_READY,
    (SessionPhase.LIVE_READY, SessionMove.SECURE): SessionPhase.SECURING,
    (SessionPhase.LIVE_ASKING, SessionMove.ACKNOWLEDGED): SessionPhase.LIVE_WORKING,
    (SessionPhase.LIVE_ASKING, SessionMove.REFUSED): SessionPhase.LIVE_READY,
    (SessionPhase.LIVE_ASKING, SessionMove.CUT): SessionPhase.LIVE_READY,
    (SessionPhase.SECURING, SessionMove.SECURED): SessionPhase.READY,
    (SessionPhase.SECURING, SessionMove.NOT_SECURED): SessionPhase.UNSAFE,
    (SessionPhase.SECURING, SessionMove.CUT): SessionPhase.UNSAFE,
}

LIVE = frozenset(
    {
        SessionPhase.LIVE_WORKING,
        SessionPhase.LIVE_READY,
        SessionPhase.LIVE_ASKING,
        SessionPhase.SECURING,
        SessionPhase.UNSAFE,
    }
)
OVER = frozenset({SessionPhase.ENDED, SessionPhase.UNSAFE})


@dataclass(frozen=True, slots=True)
class Session:
    """`hazard` names what is being asked about or has been live; `ending` why no further step may begin."""

    phase: SessionPhase = SessionPhase.READY
    hazard: str = ""
    ending: str = ""

    @property
    def hands_may_go_in(self) -> bool:
        return self.phase not in LIVE


ENDING = frozenset({SessionMove.REFUSED, SessionMove.CUT, SessionMove.NOT_SECURED})
STARTING = frozenset({SessionMove.BEGIN, SessionMove.REACH})


def step(session: Session, move: SessionMove, *, hazard: str = "", why: str = "") -> Session:
    """One move. Raises RuntimeError where it is not allowed; the session is then as it was."""
    phase = TRANSITIONS.get((session.phase, move))
    if phase is None or (move in STARTING and session.ending):
        raise RuntimeError(f"A session that is {session.phase} ({session.ending or 'going on'}) cannot {move}.")
    if move is SessionMove.REACH and session.phase is SessionPhase.LIVE_READY and hazard != session.hazard:
        raise RuntimeError(f"{session.hazard} has been live and must be made safe before {hazard} is reached.")
    kept = session.hazard if phase in LIVE or phase is SessionPhase.ASKING else ""
    named = hazard if move is SessionMove.REACH else kept
    return replace(
        session, phase=phase, hazard=named, ending=session.ending or (why or str(move) if move in ENDING else "")
    )
