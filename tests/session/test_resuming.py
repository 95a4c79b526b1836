"""A job that breaks off goes on: kill -9 at random moments, stops, another unit, and what must not survive."""

import os
import random
import signal
import sqlite3
import struct
import time
from collections import Counter
from pathlib import Path

import pytest
from fakes import HAZARD, RAIL, WIDTH, FakeTools, Person, procedure

from benchrig.clock import SimClock
from benchrig.errors import FileError
from benchrig.procedure import load_procedure
from benchrig.records import History, SqliteStore, StoreError
from benchrig.session import run
from benchrig.session.operators import Command

KILLS = 200 if os.environ.get("BENCHRIG_HEAVY") else 20
ISOLATED = """
[[step]]
id = "isolated"
kind = "confirm"
title = "Isolation transformer in"
safety = true
"""
EHT = """
[[step]]
id = "warm-up"
kind = "wait"
title = "Warm-up"
at_most = "10 s"
[[step]]
id = "eht"
kind = "measure"
title = "EHT"
hazard = "eht"
instrument = "meter"
function = "dc voltage"
point = "TP40"
window = ["9.25 kV", "9.55 kV"]
ceiling = "10.40 kV"
needs = ["rail", "warm-up"]
"""
PROCEDURE = procedure(HAZARD, ISOLATED, RAIL + 'needs = ["isolated"]\n', EHT, WIDTH)


def tools_for(clock, operator):
    """A steady value with a last digit by chance, while the operator has the unit on."""
    return FakeTools(
        clock,
        handheld=lambda now: 12.0 * operator.on + random.random() / 1000.0,
        meter=lambda now: 9400.0 * operator.on + random.random() / 1000.0,
    )


@pytest.fixture
def work(tmp_path):
    file = tmp_path / "small.toml"
    file.write_text(PROCEDURE)
    return load_procedure(file)


def sit(work, record: Path, operator, resume=None, serial="B1"):
    """One sitting."""
    store = SqliteStore(record)
    try:
        clock = SimClock()
        return run(work, tools_for(clock, operator), operator, store, clock, serial=serial, resume=resume)
    finally:
        store.close()


def killed_sitting(work, record: Path, after: float, resume: int | None) -> list[float]:
    """A sitting in a process of its own, killed after `after` seconds; gives the readings it has shown."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        try:
            sit(work, record, Person(write), resume)
        finally:
            os._exit(0)
    os.close(write)
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(read, "rb") as pipe:
        data = pipe.read()
    return [value for (value,) in struct.iter_unpack("d", data[: len(data) // 8 * 8])]


def kept(history: History, job: int) -> Counter[float]:
    steps = history.steps(job)
    return Counter(r.value for step in steps for c in history.channels(step.row) for r in history.readings(c))


def test_kill_9_at_random_moments_loses_nothing_and_the_job_goes_on(work, tmp_path):
    """What was shown is in the record, the record is whole, and each job ends well after as many breaks as it takes."""
    began = time.monotonic()
    sit(work, tmp_path / "whole.sqlite", Person())
    whole = time.monotonic() - began
    chance, kills = random.Random(7), 0
    while kills < KILLS:
        record, shown, resume = tmp_path / f"{kills}.sqlite", Counter(), None
        for _ in range(chance.randint(1, 3)):
            shown.update(killed_sitting(work, record, chance.uniform(0.0, 1.2 * whole), resume))
            kills += 1
            resume = unfinished(work, record)
            if resume is None:
                break
        check_whole(record, shown)
        if resume is not None:
            assert sit(work, record, Person(), resume).exit_code == 0


def unfinished(work, record: Path) -> int | None:
    if not record.is_file():
        return None
    SqliteStore(record).close()  # a break in the middle of making the file is mended by the next writer
    with History(record) as history:
        job = history.unfinished("B1", work.digest)
    return job.id if job else None


def check_whole(record: Path, shown: Counter[float]) -> None:
    if not record.is_file():
        assert not shown
        return
    db = sqlite3.connect(record)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    with History(record) as history:
        assert shown <= (kept(history, 1) if history.jobs() else Counter())


def stopped_at(work, record: Path, step: str, resume=None):
    """A sitting that the person stops when `step` has its third reading."""

    class Stops(Person):
        def commands(self):
            seen = [n for n in self.told if n.kind == "reading" and n.step == step]
            return [Command("stop")] if len(seen) >= 3 else []

    return sit(work, record, Stops(), resume)


def test_after_lunch_only_what_is_left_is_done_and_safety_is_asked_again(work, tmp_path):
    """The rail is not read again; the isolation and the hold point are asked again, the warm-up is waited for again."""
    record = tmp_path / "r.sqlite"
    assert stopped_at(work, record, "eht").exit_code == 3
    operator = Person()
    outcome = sit(work, record, operator, resume=1)
    assert (outcome.exit_code, outcome.job) == (0, 1)
    begun = [n.step for n in operator.told if n.kind == "step started"]
    assert begun == ["isolated", "warm-up", "eht", "width"]
    assert ("eht", "work") in operator.asked
    assert outcome.results["rail"].value == pytest.approx(12.0, abs=0.01)


def test_a_point_that_was_live_at_the_break_is_made_safe_first(work, tmp_path):
    """And the job ends with code 5 if the person does not say that it was."""

    class Dies(Person):
        def notify(self, notice):
            super().notify(notice)
            if notice.kind == "reading" and notice.step == "eht":
                os._exit(0)

    record = tmp_path / "r.sqlite"
    child = os.fork()
    if child == 0:
        sit(work, record, Dies())
    os.waitpid(child, 0)

    class Refuses(Person):
        def choose(self, question):
            return "not off" if question.about == "power off" else super().choose(question)

    refused = Refuses()
    assert sit(work, record, refused, resume=1).exit_code == 5
    assert not [n for n in refused.told if n.kind in ("reading", "step started")]
    operator = Person()
    assert sit(work, record, operator, resume=1).exit_code == 0
    assert operator.asked[0][1] == "power off"


def test_a_job_that_ended_or_is_of_another_unit_is_not_resumed(work, tmp_path):
    record = tmp_path / "r.sqlite"
    sit(work, record, Person())
    with pytest.raises(StoreError, match="has ended"):
        sit(work, record, Person(), resume=1)
    with pytest.raises(FileError, match="is of"):
        sit(work, record, Person(), resume=1, serial="B2")
