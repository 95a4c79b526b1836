"""Reading a record: jobs, their steps, readings and waveforms. Opened read-only; a writer may be at work meanwhile."""

from __future__ import annotations

import heapq
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from ..readings import UNUSABLE, Reading
from .facts import STOPPED, Block, InstrumentFacts, StoreError, WrongRecord
from .new_readings import Cursor, Stretch, of_blocks, of_rows
from .rows import (
    DAMAGED,
    ChannelRow,
    JobRow,
    Sitting,
    StepRow,
    job_of,
    reading_of,
    sitting_of,
    step_of,
    waveform_of,
)
from .schema import APPLICATION_ID, VERSION, statements

if TYPE_CHECKING:
    from ..signals.waveform import Waveform
    from .envelope import Envelope

__all__ = ["ChannelRow", "History", "JobRow", "Sitting", "StepRow"]
T = TypeVar("T")


class History:
    """A record opened for reading. Use it as a context manager."""

    newest: ClassVar[str] = "id DESC"  # order of jobs; in one file numbers are surer than a wall clock

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if not self.path.is_file():
            raise WrongRecord(f"There is no record {self.path}.", next_step="Run a job first, or name another file.")
        with self._plainly():
            self._db = self._opened()
            self._db.row_factory = sqlite3.Row
            self._check()

    def _opened(self) -> sqlite3.Connection:
        """Where nothing can be written beside the record (an archive, another's folder) and no log lies there, nobody
        writes it: SQLite is told so, for it would want to share memory there (sqlite.org/wal.html#read_only_databases).
        """
        uri = f"{self.path.absolute().as_uri()}?mode=ro"
        log = self.path.with_name(f"{self.path.name}-wal")
        effective = os.access in os.supports_effective_ids
        if not log.exists() and not os.access(self.path.absolute().parent, os.W_OK, effective_ids=effective):
            uri += "&immutable=1"
        return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0)

    def _check(self) -> None:
        # Tables first: a writer that makes the record at this moment sets tables and id in one transaction.
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        ours = self._db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        # Without any, its first writer died before its first table: there is nothing in it, and nothing wrong with it.
        if not (ours or (not tables and not version)) or version > VERSION:
            what = "was written by a newer benchrig" if ours else "is not a record of benchrig"
            cure = "Bring this one up to date, or name another file." if ours else "Name another file."
            raise WrongRecord(f"{self.path} {what}.", next_step=cure)
        for number in range(version + 1, VERSION + 1):  # what an older one lacks, empty, for this reader alone
            for statement in statements(number):
                if statement.startswith("CREATE TABLE"):
                    self._db.execute(statement.replace("CREATE", "CREATE TEMP", 1))

    def __enter__(self) -> History:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            cure = "Is it a record of benchrig?"
            if "unable to open" in str(error):
                cure = "Copy it, with the -wal file beside it, to a folder of your own."
            kind = WrongRecord if "not a database" in str(error) else StoreError
            raise kind(f"Cannot read {self.path}: {error}.", next_step=cure) from error
        except DAMAGED as error:
            words = f"{self.path} is damaged: what stands in it is not what was written ({error})."
            raise StoreError(words, next_step="Take the last good copy.") from error

    def _rows(self, sql: str, *values: Any) -> list[sqlite3.Row]:
        with self._plainly():
            return self._db.execute(sql, values).fetchall()

    def _made(self, make: Callable[[Any], T], rows: Iterable[Any]) -> list[T]:
        """Rows as data; what is none is damage."""
        with self._plainly():
            return [make(row) for row in rows]

    def _each(self, sql: str, *values: Any) -> Iterator[sqlite3.Row]:
        """Rows one by one, all of one state of the record."""
        with self._plainly():
            # `yield from` would close the cursor at its end, and complain of a record that was closed before.
            for row in self._db.execute(sql, values):  # noqa: UP028
                yield row

    def jobs(self, *, serial: str | None = None, limit: int = 1000) -> list[JobRow]:
        """Newest first; only those of one unit where `serial` is given."""
        where = "" if serial is None else "WHERE serial = ?"
        values: tuple[Any, ...] = (limit,) if serial is None else (serial, limit)
        rows = self._rows(f"SELECT * FROM jobs {where} ORDER BY {self.newest} LIMIT ?", *values)
        return self._made(job_of, rows)

    def job(self, job: int) -> JobRow:
        """Raises StoreError if there is none."""
        rows = self._rows("SELECT * FROM jobs WHERE id = ?", job)
        if not rows:
            raise WrongRecord(f"There is no job {job} in {self.path}.", next_step="List them with `benchrig jobs`.")
        return self._made(job_of, rows)[0]

    def unfinished(self, serial: str, digest: str) -> JobRow | None:
        """The newest job of this unit and procedure, if it was broken off or stopped before its end."""
        rows = self._rows(
            "SELECT * FROM jobs WHERE serial = ? AND procedure_digest = ? ORDER BY id DESC LIMIT 1", serial, digest
        )
        open_still = bool(rows) and (rows[0]["ended"] is None or rows[0]["exit_code"] in STOPPED)
        return self._made(job_of, rows)[0] if open_still else None

    def visit_before(self, job: JobRow) -> JobRow | None:
        """The unit's last finished job with the same procedure before `job`; None if this is its first."""
        earlier = self.jobs(serial=job.serial) if job.serial else []
        same = (it for it in earlier if it.procedure == job.procedure and it.simulated == job.simulated)
        return next((it for it in same if it.ended is not None and it.started < job.started), None)

    def instruments(self, job: int) -> list[InstrumentFacts]:
        rows = self._rows("SELECT * FROM instruments WHERE job = ? ORDER BY name", job)
        return self._made(lambda row: InstrumentFacts(*tuple(row)[1:]), rows)

    def steps(self, job: int) -> list[StepRow]:
        """In the order in which they were begun."""
        rows = self._rows(
            "SELECT steps.* FROM steps JOIN sittings ON sittings.id = steps.sitting WHERE job = ? ORDER BY steps.id",
            job,
        )
        return self._made(step_of, rows)

    def channels(self, step_row: int) -> list[ChannelRow]:
        rows = self._rows("SELECT * FROM channels WHERE step = ? ORDER BY id", step_row)
        return [ChannelRow(row["id"], row["step"], row["name"], row["unit"]) for row in rows]

    def readings(self, channel: ChannelRow) -> list[Reading]:
        """In order; `time` in seconds of the sitting. For channels of millions see `each_reading` and `blocks`."""
        return list(self.each_reading(channel))

    def each_reading(self, channel: ChannelRow) -> Iterator[Reading]:
        """The same one by one, in flat memory."""
        from .envelope import readings_of  # numpy, which `benchrig jobs` does without

        rows = self._rows("SELECT * FROM readings WHERE channel = ? ORDER BY rowid", channel.id)
        single = self._made(lambda row: reading_of(row, channel.unit), rows)
        packed = (reading for block in self._packed(channel) for reading in readings_of(block))
        return heapq.merge(single, packed, key=lambda it: it.time)

    def blocks(self, channel: ChannelRow) -> Iterator[Block]:
        """All readings of a channel in columns, a block at a time, in order: flat memory for millions."""
        rows = self._rows("SELECT * FROM readings WHERE channel = ? ORDER BY rowid", channel.id)
        if rows:
            from .envelope import block_of

            yield block_of(self._made(lambda row: reading_of(row, channel.unit), rows))
        yield from self._packed(channel)

    def _packed(self, channel: ChannelRow) -> Iterator[Block]:
        from .envelope import unpacked

        # One statement sees one state of the record, however long it takes: meanwhile the writer joins blocks.
        rows = self._each(
            "SELECT from_us, count, resolution, packed FROM blocks WHERE channel = ? ORDER BY from_us, id", channel.id
        )
        for row in rows:
            with self._plainly():
                block = unpacked(row["packed"], row["from_us"], row["count"], channel.unit, row["resolution"])
            yield block

    def envelope(self, channel: ChannelRow, points: int = 1000) -> Envelope:
        """Least, mean and greatest of about `points` stretches of a channel, each of shape (about points,).

        Where there are blocks enough, their sums are taken and no reading is unpacked: a week is drawn at once. The
        same where some were thinned, for what is left of those has their extremes and not their mean.
        """
        from .envelope import envelope_of, thinned_sums

        rows = self._rows(
            "SELECT from_us, to_us, usable, least, mean, greatest, count, stood_for FROM blocks"
            " WHERE channel = ? AND usable > 0 ORDER BY from_us",
            channel.id,
        )
        if len(rows) >= points // 8 or any(row["count"] < row["stood_for"] for row in rows):
            singles = self._rows(
                "SELECT at_us, at_us, 1, value, value, value FROM readings"
                f" WHERE channel = ? AND value IS NOT NULL AND flags & {UNUSABLE.value} = 0",
                channel.id,
            )
            return thinned_sums(sorted(tuple(row)[:6] for row in (*rows, *singles)), points)
        return envelope_of(self.blocks(channel), points)

    def news(self, channel: ChannelRow, since: Cursor) -> tuple[list[Stretch], Cursor]:
        """What was read since the last look, and where the next one begins."""
        singles = self._rows(
            "SELECT at_us, value, flags, rowid FROM readings WHERE channel = ? AND rowid > ? ORDER BY rowid",
            channel.id, since.row,
        )  # fmt: skip
        blocks = self._rows(
            "SELECT from_us, to_us, count, stood_for, least, greatest, packed FROM blocks"
            # Blocks of a channel follow each other: only the last one that begins before `since` can reach beyond it.
            " WHERE channel = ? AND to_us > ? AND from_us >= coalesce("
            "(SELECT max(from_us) FROM blocks WHERE channel = ? AND from_us <= ?), ?) ORDER BY from_us",
            channel.id, since.moment, channel.id, since.moment, since.moment,
        )  # fmt: skip
        stretches = [*of_rows([tuple(row)[:3] for row in singles]), *of_blocks(blocks, since.moment)]
        row = singles[-1]["rowid"] if singles else since.row
        return stretches, Cursor(row, max((it["to_us"] for it in blocks), default=since.moment))

    def alive(self, job: int) -> tuple[int, float] | None:
        """The newest sitting, and when its writer last said that it lives, in seconds of it: about once a second."""
        rows = self._rows("SELECT id, alive_us FROM sittings WHERE job = ? ORDER BY id DESC LIMIT 1", job)
        return (rows[0]["id"], rows[0]["alive_us"] / 1e6) if rows else None

    def sittings(self, job: int) -> list[Sitting]:
        """In order: more than one where the job was broken off or stopped, and taken up again."""
        rows = self._rows("SELECT id, started, alive_us FROM sittings WHERE job = ? ORDER BY id", job)
        return self._made(lambda row: sitting_of(*row), rows)

    def reading_count(self, job: int) -> int:
        """Of all channels of a job; thinned ones count for what they stand for."""
        where = (
            " JOIN channels ON channels.id = channel JOIN steps ON steps.id = channels.step"
            " JOIN sittings ON sittings.id = sitting WHERE job = ?"
        )
        single = self._rows(f"SELECT count(*) FROM readings{where}", job)
        packed = self._rows(f"SELECT coalesce(sum(stood_for), 0) FROM blocks{where}", job)
        return int(single[0][0]) + int(packed[0][0])

    def waveforms(self, step_row: int) -> list[tuple[str, Waveform]]:
        """(channel, waveform), in order."""
        rows = self._rows("SELECT * FROM waveforms WHERE step = ? ORDER BY id", step_row)
        return self._made(lambda row: (row["name"], waveform_of(row)), rows)

    def acknowledgements(self, job: int, after: int = 0) -> list[Mapping[str, Any]]:
        """Every answer to a hold point, given or refused, with the `step` it was for; `id` greater than `after`."""
        return self._of_steps("acknowledgements", job, after)

    def gaps(self, job: int, after: int = 0) -> list[Mapping[str, Any]]:
        """Every time an instrument was away, `closed_us` None if it never came back; `id` greater than `after`."""
        return self._of_steps("gaps", job, after)

    def marks(self, job: int) -> list[Mapping[str, Any]]:
        """Where trimmers, rings and knobs stood before they were touched."""
        return self._of_steps("marks", job)

    def traffic(self, job: int) -> list[Mapping[str, Any]]:
        """What went over the instruments' links before trouble ended the job, as text: see `Store.traffic`."""
        rows = self._rows(
            "SELECT traffic.* FROM traffic JOIN sittings ON sittings.id = sitting WHERE job = ? ORDER BY traffic.id",
            job,
        )
        return [dict(row) for row in rows]

    def _of_steps(self, table: str, job: int, after: int = 0) -> list[Mapping[str, Any]]:
        rows = self._rows(
            f"SELECT {table}.*, steps.step AS step_id, steps.sitting AS sitting FROM {table}"
            f" JOIN steps ON steps.id = {table}.step"
            f" JOIN sittings ON sittings.id = sitting WHERE job = ? AND {table}.id > ? ORDER BY {table}.id",
            job, after,
        )  # fmt: skip
        return [dict(row) for row in rows]

    def events(self, job: int, after: int = 0) -> list[Mapping[str, Any]]:
        """Everything else, `facts` as data; only those with a greater `id` than `after`."""
        rows = self._rows(
            "SELECT events.* FROM events JOIN sittings ON sittings.id = sitting"
            " WHERE job = ? AND events.id > ? ORDER BY events.id",
            job, after,
        )  # fmt: skip
        return self._made(lambda row: {**dict(row), "facts": json.loads(row["facts"])}, rows)
