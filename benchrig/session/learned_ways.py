"""Which way a trimmer raises a value, remembered from one visit of a unit to the next.

Rules it keeps:
- Only what a person told, or counted turns showed, of the same unit: same kind, same serial number.
- What was told of a simulated unit is never believed of a real one, nor the other way round.
- Gains and noise are not remembered: another meter, a cleaned or exchanged trimmer, and they mislead the hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..records.history import History
from ..trim.types import Known, Way
from .work import Work

KIND = "way learned"
JOBS = 5  # that are looked at, the newest first
Key = tuple[str, str]  # trimmer, what was read


def remember(work: Work, key: Key, raises: Way) -> None:
    """Say it, and keep it in the record."""
    work.say(f"{key[0]} turned {raises} raises {f'the {key[1]}' if key[1] else 'it'}.")
    facts = {"trimmer": key[0], "quantity": key[1], "raises": str(raises)}
    work.services.store.event(work.row, KIND, facts, work.clock.now(), work.clock.stamp())


def cleaned(work: Work, trimmers: Sequence[str]) -> None:
    """What was cleaned jumps no more until it is seen to."""
    known = work.services.known
    for key, it in list(known.items()):
        if key[0] in trimmers:
            known[key] = replace(it, scratchy=False)


def recalled(history: History, unit: str, serial: str, *, simulated: bool) -> dict[Key, Known]:
    """What is known of the trimmers of this unit; nothing without a serial number."""
    if not serial:
        return {}
    jobs = [job for job in history.jobs(serial=serial) if job.unit == unit and job.simulated == simulated]
    found: dict[Key, Known] = {}
    for job in sorted(jobs, key=lambda it: it.id)[-JOBS:]:
        for event in history.events(job.id):
            if event["kind"] == KIND:
                facts = event["facts"]
                found[facts["trimmer"], facts["quantity"]] = Known(raises=Way(facts["raises"]))
    return found
