"""One record for a whole shop, in PostgreSQL, through a local spool: no bench ever waits for the server.

Rules it keeps:
1. Everything is written to the spool first, which is a whole record of its own; a thread sends it on.
2. Rows and the mark of how far the spool was sent go into the server in one transaction, and each row has a number of
   its own there: sent again after a broken connection, it lands on itself. Nothing is lost, nothing doubled.
3. While the server is away, the spool grows and the work goes on; how much waits, and why, can be asked, and is told
   when the store is closed.
4. A spool that is older than what the server has of it (a copy, put back) is not sent: it would overwrite rows.
"""

from __future__ import annotations

import hashlib
import logging
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from . import outbox, shop_tables
from .default_path import default_path
from .facts import StoreError
from .schema import MIGRATIONS, VERSION
from .sqlite import BUSY, SqliteStore

BATCH = 2000  # rows in one transaction
LARGE = 4_000_000  # bytes of blocks and waveforms in one transaction; one more always goes
EVERY = 1.0  # s between looks at what waits
LONGEST = 30.0  # s between tries to reach a server that is away
TURN = 60  # looks after which a connection is given up: a server lets in so many, and a shop may have more benches
CONNECT = 5  # s
_LOCK = 0x62_6E_63_68  # of migrations: one bench at a time


def spool_of(url: str) -> Path:
    """Where the spool for the database of `url` lies: beside the default record, one for each database.

    Another user, password or option is the same spool: what waits there goes whoever signs in.
    """
    psycopg = psycopg_()
    try:
        parts = psycopg.conninfo.conninfo_to_dict(url)
    except psycopg.Error as error:
        raise StoreError(
            f"That is no address of a server: {str(error).strip()}.", next_step="postgresql://USER@HOST/DATABASE"
        ) from None
    place = "\n".join(str(parts.get(key) or "") for key in ("host", "hostaddr", "port", "dbname"))
    name = hashlib.sha256(place.encode()).hexdigest()[:12]
    return default_path().with_name(f"spool-{name}.sqlite")


def psycopg_() -> Any:
    """The driver of PostgreSQL, which is an extra. Raises StoreError where it is not installed."""
    try:
        import psycopg
    except ImportError as error:
        raise StoreError("The shop's record needs psycopg.", next_step="pip install 'benchrig[shop]'") from error
    # What it would say of broken connections is said by `Behind`, once, and not on the person's screen.
    logging.getLogger("psycopg").addHandler(logging.NullHandler())
    return psycopg


class ShopStore(SqliteStore):
    """A `Store` whose record ends up in the PostgreSQL database of `url`. `path` is its spool."""

    def __init__(self, url: str, spool: str | Path | None = None) -> None:
        self.sender = Sender(url, Path(spool) if spool is not None else spool_of(url))
        super().__init__(self.sender.spool)
        with self._plainly("open"):
            self.sender.spool_id = outbox.set_up(self._db)
        self.sender.start()

    def close(self, patience: float = 10.0) -> str:
        """Send what waits, for `patience` seconds at most; what is left goes next time, and that is said."""
        self.sender.end(patience)
        behind = self.sender.behind()
        super().close()
        if not behind.rows:
            return ""
        why = f" ({behind.why})" if behind.why else ""
        return f"{behind.rows} rows wait in {self.path} for the shop's server{why}; the next job's store sends them."


@dataclass(frozen=True, slots=True)
class Behind:
    """How much of a spool is still to be sent, and why it does not go; empty while it goes."""

    rows: int
    why: str


class Sender:
    """The thread that sends a spool on."""

    def __init__(self, url: str, spool: Path) -> None:
        self.spool = spool
        self.spool_id = ""
        self._url = url
        self._psycopg = psycopg_()
        self._why = ""
        self._ending = threading.Event()
        self._patience = 0.0
        self._thread = threading.Thread(target=self._run, name="shop", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def end(self, patience: float) -> None:
        self._patience = patience
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(patience + CONNECT)

    def behind(self) -> Behind:
        """Ask from any thread."""
        with closing(sqlite3.connect(f"{self.spool.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY)) as db:
            return Behind(outbox.count(db), self._why)

    def _run(self) -> None:
        db = sqlite3.connect(self.spool, isolation_level=None, timeout=BUSY)
        db.row_factory = sqlite3.Row
        wait, connection, looks = EVERY, None, 0
        try:
            while True:
                ending = self._ending.wait(wait)
                try:
                    connection = connection or self._connected()
                    self._send_all(db, connection)
                    self._why, wait, looks = "", EVERY, looks + 1
                    if looks % TURN == 0:
                        _closed(connection)
                        connection = None
                except (self._psycopg.Error, sqlite3.Error, StoreError) as error:
                    self._why = str(error).strip() or type(error).__name__
                    _closed(connection)
                    connection = None
                    wait = min(2.0 * wait, LONGEST)
                if ending and not self._once_more(db):
                    return
        finally:
            _closed(connection)
            db.close()

    def _once_more(self, db: sqlite3.Connection) -> bool:
        """At the end: is something still waiting, and patience left?"""
        self._patience -= EVERY
        if not self._why or self._patience <= 0.0 or not outbox.count(db):
            return False
        threading.Event().wait(EVERY)
        return True

    def _connected(self) -> Any:
        connection = self._psycopg.connect(self._url, connect_timeout=CONNECT)
        try:
            prepare(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _send_all(self, db: sqlite3.Connection, connection: Any) -> None:
        while rows := outbox.waiting(db, BATCH, LARGE):
            with connection.transaction(), connection.cursor() as cursor:
                bench, drained = _bench(cursor, self.spool_id)
                if drained > outbox.newest(db):
                    raise StoreError(f"{self.spool} is older than what the shop has of it.", next_step=_OLD)
                fresh = [row for row in rows if row[0] > drained]
                for statement, values in changes(db, fresh, bench):
                    cursor.executemany(statement, values)
                reached = max(drained, rows[-1][0])  # another program may send the same spool
                cursor.execute("UPDATE benches SET drained = %s WHERE number = %s", (reached, bench))
            outbox.sent(db, rows[-1][0])


_OLD = "It was put back from a copy? Move it away; the next job begins a new one."


def _closed(connection: Any) -> None:
    if connection is not None:
        connection.close()


def prepare(connection: Any) -> None:
    """Make the tables, or bring them up to date; one bench at a time. Raises StoreError for newer ones."""
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
        cursor.execute("SELECT to_regclass('benches'), to_regclass('migrations')")
        if None in cursor.fetchone():  # who may only write rows may not even ask for a table that is there
            for statement in shop_tables.OWN:
                cursor.execute(statement)
        cursor.execute("SELECT coalesce(max(version), 0) FROM migrations")
        version = int(cursor.fetchone()[0])
        if version > VERSION:
            raise StoreError(
                f"The shop's record was written by a newer benchrig (version {version} of the tables).",
                next_step="Bring this bench up to date.",
            )
        for number in range(version + 1, VERSION + 1):
            for statement in shop_tables.statements(number):
                cursor.execute(statement)
            cursor.execute("INSERT INTO migrations VALUES (%s, %s, now()::text)", (number, MIGRATIONS[number - 1][0]))


def _bench(cursor: Any, spool: str) -> tuple[int, int]:
    """(number, how far it was sent) of a spool, locked until the transaction ends."""
    cursor.execute("INSERT INTO benches (spool, drained) SELECT %s, 0 WHERE NOT EXISTS"
                   " (SELECT 1 FROM benches WHERE spool = %s) ON CONFLICT DO NOTHING", (spool, spool))  # fmt: skip
    cursor.execute("SELECT number, drained FROM benches WHERE spool = %s FOR UPDATE", (spool,))
    number, drained = cursor.fetchone()
    return int(number), int(drained)


Change = tuple[str, list[tuple[Any, ...]]]  # statement, rows of values


def changes(db: sqlite3.Connection, waiting: Sequence[tuple[int, str, int, int]], bench: int) -> list[Change]:
    """What is to be done in the shop for these entries of the outbox: each row once, as it stands now."""
    touched: dict[str, dict[int, None]] = defaultdict(dict)
    for _, tab, row, _ in waiting:
        touched[tab][row] = None
    found: list[Change] = []
    for tab, key in outbox.TABLES.items():
        rows = list(touched.get(tab, ()))
        if not rows:
            continue
        there = _rows(db, tab, key, rows)
        if there:
            columns = tuple(there[0])
            values = [
                tuple(row[name] for name in columns) for row in (shop_tables.numbered(tab, it, bench) for it in there)
            ]
            found.append((shop_tables.upsert(tab, columns), values))
        gone = set(rows) - {row.get(key, 0) for row in there}
        if gone and tab in ("blocks", "readings"):  # nothing else is ever deleted
            values = [(bench * shop_tables.ROWS + row,) for row in sorted(gone)]
            found.append((f'DELETE FROM {tab} WHERE "{key}" = %s', values))
    return found


def _rows(db: sqlite3.Connection, tab: str, key: str, rows: Sequence[int]) -> list[dict[str, Any]]:
    """Those of `rows` that are there, with the rowid where that is the key."""
    named = "rowid, *" if tab == "readings" else "*"
    found: list[dict[str, Any]] = []
    for start in range(0, len(rows), 500):
        part = rows[start : start + 500]
        places = ", ".join("?" * len(part))
        found += [dict(row) for row in db.execute(f"SELECT {named} FROM {tab} WHERE rowid IN ({places})", part)]
    return found
