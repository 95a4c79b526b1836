"""The record in one SQLite file: write-ahead log, one commit a call, a sync where a power cut must not reach.

With `synchronous=NORMAL` a commit outlives this process but not a power cut. FULL for one commit carries everything
before it to the disk too (sqlite.org/wal.html, sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import astuple, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..readings import Reading
from .blocks import BlockPiece, Blocks
from .facts import (
    STOPPED,
    AcknowledgementFacts,
    Block,
    InstrumentFacts,
    JobFacts,
    JobHead,
    StepFacts,
    StepResult,
    StoreError,
    WrongRecord,
)
from .schema import APPLICATION_ID, MIGRATIONS, VERSION, statements

if TYPE_CHECKING:
    from ..signals.waveform import Waveform

SYNC_INTERVAL = 1.0  # s of readings that a power cut may take
BUSY = 5.0  # s to wait for another writer
CLOCK_SLACK = 2.0  # s by which wall time and monotonic time may part before that is noted


class SqliteStore:
    """A `Store` in `path`; the file and its folder are made where they are missing."""

    _cures: ClassVar[Mapping[str, str]] = {
        "full": "Free some disk space; what was recorded so far is safe.",
        "locked": "Another program holds the record; end it and try again.",
        "readonly": "Give yourself write permission, or name another file.",
        "not a database": "Name another file; this one is left as it is.",
        "unable to open": "Check the folder and its permissions.",
        "Permission denied": "Check the folder and its permissions.",
        "No such file": "Name a file in a folder that can be made: --store FILE",
        "File exists": "Name a file in a folder that can be made: --store FILE",
        "Not a directory": "Name a file in a folder that can be made: --store FILE",
        "No space left": "Free some disk space; what was recorded so far is safe.",
        "surrogates": "Some words are no text in UTF-8: look at names and serial numbers.",
        "disk I/O": "Is the disk full, or a quota reached? Free some disk space; what was recorded so far is safe.",
    }

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._sitting = 0
        self._job = 0
        self._origin = 0.0
        self._synced = float("-inf")
        self._apart: float | None = None  # wall time less monotonic time when that was looked at last
        self._channels: dict[tuple[int, str, str], int] = {}
        self._identities: dict[str, str] = {}  # of instruments of this sitting, as the record has them
        with self._plainly("open"):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            _make_private(self.path)
            self._db = sqlite3.connect(self.path, isolation_level=None, timeout=BUSY)
        self._blocks = Blocks(self._db)
        try:
            with self._plainly("open"):
                self._set_up_in_turn()
        except BaseException:
            self._db.close()
            raise

    def _set_up_in_turn(self) -> None:
        """Several programs may make the record at once, and going to the write-ahead log SQLite waits for nobody."""
        until = time.monotonic() + BUSY
        while True:
            try:
                return self._set_up()
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise
            time.sleep(0.02)

    def _set_up(self) -> None:
        # In this order: another program that makes the record at this moment sets both in one transaction.
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        found = self._db.execute("PRAGMA application_id").fetchone()[0]
        if found != APPLICATION_ID and tables:
            raise WrongRecord(f"{self.path} is a database of another program.", next_step="Name another file.")
        self._refuse_newer()  # before anything is changed in it
        self._db.execute("PRAGMA journal_mode=WAL")
        self._db.execute("PRAGMA synchronous=NORMAL")
        self._db.execute("PRAGMA foreign_keys=ON")
        with self._transaction():
            self._migrate()

    def _refuse_newer(self) -> int:
        """The version of its tables. Raises WrongRecord for a newer one."""
        version: int = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            raise WrongRecord(
                f"{self.path} was written by a newer benchrig (version {version} of the tables).",
                next_step="Use that one, or name another file.",
            )
        return version

    def _migrate(self) -> None:
        version = self._refuse_newer()
        self._db.execute(f"PRAGMA application_id={APPLICATION_ID}")
        self._db.execute(
            "CREATE TABLE IF NOT EXISTS migrations"
            " (version INTEGER PRIMARY KEY, name TEXT NOT NULL, applied TEXT NOT NULL)"
        )
        for number, (name, _) in enumerate(MIGRATIONS[version:], version + 1):
            for statement in statements(number):
                self._db.execute(statement)
            self._db.execute("INSERT INTO migrations VALUES (?, ?, datetime('now'))", (number, name))
        self._db.execute(f"PRAGMA user_version={VERSION}")

    # jobs and steps

    def begin_job(self, facts: JobFacts, now: float, stamp: datetime) -> int:
        with self._synced_transaction(now):
            job = self._insert(
                "jobs",
                **{head.name: getattr(facts, head.name) for head in fields(JobHead)},
                started=_iso(stamp),
                environment=json.dumps(dict(facts.environment)),
            )
            self._db.executemany(
                "INSERT INTO instruments VALUES (?, ?, ?, ?, ?, ?)", [(job, *astuple(i)) for i in facts.instruments]
            )
            self._sit_down(job, now, stamp)
        return job

    def resume_job(self, job: int, now: float, stamp: datetime) -> None:
        with self._synced_transaction(now):
            found = self._db.execute("SELECT ended, exit_code FROM jobs WHERE id = ?", (job,)).fetchone()
            if found is None:
                raise WrongRecord(f"There is no job {job} in {self.path}.", next_step="List them with `benchrig jobs`.")
            if found[0] is not None and found[1] not in STOPPED:
                raise WrongRecord(f"Job {job} has ended at {found[0]}.", next_step="Begin a new one.")
            self._db.execute("UPDATE jobs SET ended = NULL, outcome = NULL, exit_code = NULL WHERE id = ?", (job,))
            self._sit_down(job, now, stamp)

    def _sit_down(self, job: int, now: float, stamp: datetime) -> None:
        self._identities.clear()
        self._job, self._origin, self._apart = job, now, stamp.timestamp() - now
        self._sitting = self._insert("sittings", job=job, started=_iso(stamp), alive_us=0)

    def instruments(self, found: Sequence[InstrumentFacts]) -> None:
        fresh = [it for it in found if it.identity and self._identities.get(it.name) != it.identity]
        if not fresh:
            return
        with self._plainly("write"), self._transaction():
            self._db.executemany(_ANSWERED, [(self._job, *astuple(it)) for it in fresh])
        self._identities |= {it.name: it.identity for it in fresh}

    def end_job(self, outcome: str, exit_code: int, now: float, stamp: datetime) -> None:
        with self._synced_transaction(now):
            self._db.execute(
                "UPDATE jobs SET ended = ?, outcome = ?, exit_code = ? WHERE id = ?",
                (_iso(stamp), outcome, exit_code, self._job),
            )

    def begin_step(self, facts: StepFacts, now: float, stamp: datetime) -> int:
        with self._plainly("write"):
            return self._insert(
                "steps",
                sitting=self._sitting, step=facts.step, kind=facts.kind, title=facts.title, number=facts.number,
                round=facts.round, purpose=facts.purpose, point=facts.point, trimmer=facts.trimmer,
                started_us=self._us(now), started=_iso(stamp),
            )  # fmt: skip

    def end_step(self, row: int, result: StepResult, now: float, stamp: datetime) -> None:
        with self._synced_transaction(now):
            self._blocks.join_all()
            self._db.execute(
                "UPDATE steps SET verdict=?, value=?, unit=?, uncertainty=?, low=?, high=?, acceptable_low=?,"
                " acceptable_high=?, rule=?, probability=?, guard_band=?, tier=?, words=?, details=?,"
                " ended_us=?, ended=? WHERE id = ?",
                (
                    result.verdict, result.value, result.unit, result.uncertainty, result.low, result.high,
                    result.acceptable_low, result.acceptable_high, result.rule, result.probability, result.guard_band,
                    result.tier, result.words, json.dumps(dict(result.details)), self._us(now), _iso(stamp), row,
                ),
            )  # fmt: skip

    # what happens in a step

    def reading(self, row: int, channel: str, reading: Reading) -> None:
        with self._plainly("write"):
            self._db.execute(_READING, self._reading_row(self._channel(row, channel, reading.unit), reading))

    def readings(self, row: int, channel: str, readings: Sequence[Reading]) -> None:
        with self._plainly("write"), self._transaction():
            rows = (self._reading_row(self._channel(row, channel, it.unit), it) for it in readings)
            self._db.executemany(_READING, rows)

    def block(self, row: int, channel: str, block: Block) -> None:
        if not block.times.size:
            return
        times = np.rint((block.times - self._origin) * 1e6).astype(np.int64)
        piece = BlockPiece(times, block.values, block.flags.astype(np.uint32, copy=False), block.resolution)
        with self._plainly("write"), self._transaction():
            self._blocks.add(self._channel(row, channel, block.unit), piece)

    def _reading_row(self, channel: int, it: Reading) -> tuple[Any, ...]:
        return channel, self._us(it.time), it.value, it.flags.value, it.resolution, it.uncertainty

    def _channel(self, row: int, name: str, unit: str) -> int:
        key = (row, name, unit)
        if key not in self._channels:
            found = self._db.execute("SELECT id FROM channels WHERE (step, name, unit) = (?, ?, ?)", key).fetchone()
            self._channels[key] = found[0] if found else self._insert("channels", step=row, name=name, unit=unit)
        return self._channels[key]

    def waveform(self, row: int, channel: str, waveform: Waveform, now: float) -> None:
        samples = waveform.samples
        with self._plainly("write"):
            self._insert(
                "waveforms",
                step=row, name=channel, at_us=self._us(now), interval=waveform.interval, start=waveform.start,
                scale=waveform.scale, offset=waveform.offset, kind=samples.dtype.newbyteorder("<").str,
                clipped=int(waveform.clipped), triggered=int(waveform.triggered),
                samples=zlib.compress(samples.astype(samples.dtype.newbyteorder("<"), copy=False).tobytes(), 1),
            )  # fmt: skip

    def acknowledgement(self, row: int, facts: AcknowledgementFacts, now: float, stamp: datetime) -> None:
        with self._synced_transaction(now):
            self._insert(
                "acknowledgements",
                step=row, at_us=self._us(now), stamp=_iso(stamp), hazard=facts.hazard, test_point=facts.test_point,
                expected=facts.expected, phrase=facts.phrase, typed=facts.typed, acknowledged=int(facts.acknowledged),
                operator=facts.operator, purpose=facts.purpose, words=facts.words,
            )  # fmt: skip

    def mark(self, row: int, trimmer: str, words: str, value: float | None, unit: str, now: float) -> None:
        with self._plainly("write"):
            self._insert(
                "marks", step=row, at_us=self._us(now), trimmer=trimmer, words=words, value=value, unit=unit
            )  # fmt: skip

    def event(self, row: int | None, kind: str, facts: Mapping[str, Any], now: float, stamp: datetime) -> None:
        with self._plainly("write"):
            self._insert(
                "events",
                sitting=self._sitting, step=row, at_us=self._us(now), stamp=_iso(stamp), kind=kind,
                facts=json.dumps(dict(facts)),
            )  # fmt: skip

    def note_clock(self, now: float, stamp: datetime) -> float:
        """Call now and then, with one moment on both clocks. Returns how far they parted since the last call, 0 mostly.

        More than `CLOCK_SLACK` is kept as an event `clock`: the wall clock was set, or the machine was suspended
        (Linux's monotonic clock stands still then). Summer time is neither: stamps are in UTC.
        """
        apart = stamp.timestamp() - now
        moved = apart - self._apart if self._apart is not None else 0.0
        if abs(moved) > CLOCK_SLACK:
            self.event(None, "clock", {"moved": moved}, now, stamp)
        self._apart = apart
        return moved if abs(moved) > CLOCK_SLACK else 0.0

    def open_gap(self, row: int, instrument: str, reason: str, now: float, stamp: datetime) -> int:
        with self._plainly("write"):
            return self._insert(
                "gaps", step=row, instrument=instrument, reason=reason, opened_us=self._us(now), opened=_iso(stamp)
            )  # fmt: skip

    def close_gap(self, gap: int, now: float, stamp: datetime) -> None:
        with self._plainly("write"):
            self._db.execute(
                "UPDATE gaps SET closed_us = ?, closed = ? WHERE id = ?", (self._us(now), _iso(stamp), gap)
            )

    def thin(self, before: datetime, stretch: float) -> int:
        """Of all blocks that ended before `before` keep the extremes of every `stretch` (seconds).

        Returns how many readings went. See `blocks`: sums and extremes stay what they were, and single readings, as a
        trim or a measurement takes them, are not touched. Few blocks a transaction: whoever writes meanwhile goes on.
        """
        return sum(
            self._thin(sitting, round((before - datetime.fromisoformat(started)).total_seconds() * 1e6), stretch)
            for sitting, started in self._db.execute("SELECT id, started FROM sittings").fetchall()
        )

    def _thin(self, sitting: int, before: int, stretch: float) -> int:
        looked, last, gone = 0, -1, 0
        while looked != last:
            last = looked
            with self._plainly("write"), self._transaction():
                looked, went = self._blocks.thin(before, round(stretch * 1e6), sitting, last)
            gone += went
        return gone

    def shrink(self) -> bool:
        """Give back to the disk what thinning has freed; it needs as much room meanwhile. False, and nothing is done,
        while another program has the record open: a job must not wait for this."""
        with self._plainly("shrink"):
            try:
                self._db.execute("PRAGMA journal_mode=DELETE")  # only where nobody else is
            except sqlite3.OperationalError as error:
                if "locked" not in str(error):
                    raise
                return False
            try:
                self._db.execute("VACUUM")
            finally:
                self._db.execute("PRAGMA journal_mode=WAL")
        return True

    def traffic(self, instrument: str, dialogue: str, now: float) -> None:
        with self._plainly("write"):
            self._insert(
                "traffic", sitting=self._sitting, at_us=self._us(now), instrument=instrument, dialogue=dialogue
            )

    def keep_alive(self, now: float) -> None:
        if now - self._synced >= SYNC_INTERVAL:
            with self._synced_transaction(now):
                pass

    def close(self) -> str:
        """Ends the writing. Returns what the person should know of it; empty for all is well."""
        self._db.close()
        return ""

    # the few moves that all of it is made of

    def _insert(self, table: str, **values: Any) -> int:
        names, places = ", ".join(values), ", ".join("?" * len(values))
        row = self._db.execute(f"INSERT INTO {table} ({names}) VALUES ({places})", tuple(values.values())).lastrowid
        assert row is not None  # an INSERT always has one
        return row

    def _us(self, now: float) -> int:
        return round((now - self._origin) * 1e6)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")  # may fail as well as what went before it
        except BaseException:
            self._channels.clear()  # some of them may go with the rollback
            self._blocks.forget()
            if self._db.in_transaction:  # a full disk has rolled it back already
                self._db.execute("ROLLBACK")
            raise

    @contextmanager
    def _synced_transaction(self, now: float) -> Iterator[None]:
        with self._plainly("write"):
            self._db.execute("PRAGMA synchronous=FULL")
            try:
                with self._transaction():
                    yield
                    self._db.execute("UPDATE sittings SET alive_us = ? WHERE id = ?", (self._us(now), self._sitting))
            finally:
                self._db.execute("PRAGMA synchronous=NORMAL")
        self._synced = now

    @contextmanager
    def _plainly(self, doing: str) -> Iterator[None]:
        """SQLite's and the file system's errors, in words with a cure; words that are no text too."""
        try:
            yield
        except (sqlite3.Error, OSError, UnicodeError) as error:
            cure = next((c for key, c in self._cures.items() if key in str(error)), "Check the disk and the file.")
            kind = WrongRecord if "not a database" in str(error) else StoreError
            words = getattr(error, "strerror", None) or error
            raise kind(f"Cannot {doing} the record {self.path}: {words}.", next_step=cure) from error


_READING = "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)"
_ANSWERED = (
    "INSERT INTO instruments VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (job, name) DO UPDATE SET"
    " driver = excluded.driver, address = excluded.address, calibration_due = excluded.calibration_due,"
    " identity = CASE WHEN instr(identity, excluded.identity) THEN identity"
    " WHEN identity = '' THEN excluded.identity ELSE identity || '; later ' || excluded.identity END"
)


def _iso(stamp: datetime) -> str:
    """In UTC whatever it came in: an hour that summer time repeats is two hours in the record."""
    return stamp.astimezone(UTC).isoformat(timespec="milliseconds")


def _make_private(path: Path) -> None:
    """A new record is for its owner alone; its log and index files take that over. One that is there stays as it is."""
    with suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
