"""What of a record is still to be sent on: a row in `outbox` for every row that was written, changed or deleted.

Triggers of the SQLite record itself fill it, in the transaction of the change, so that nothing can be written and not
be on the list. Only a record that is a spool has them.
"""

from __future__ import annotations

import sqlite3
import uuid

# Table -> what numbers its rows. The order is that in which rows may refer to others.
TABLES = {
    "jobs": "id",
    "instruments": "rowid",
    "sittings": "id",
    "steps": "id",
    "channels": "id",
    "readings": "rowid",
    "blocks": "id",
    "waveforms": "id",
    "acknowledgements": "id",
    "marks": "id",
    "events": "id",
    "gaps": "id",
    "traffic": "id",
}

_TABLES = """
CREATE TABLE IF NOT EXISTS outbox (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, tab TEXT NOT NULL, row INTEGER NOT NULL, gone INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS spool (id TEXT NOT NULL);
"""
_TRIGGER = """
CREATE TRIGGER IF NOT EXISTS {tab}_{when} AFTER {when} ON {tab} BEGIN
    INSERT INTO outbox (tab, row, gone) VALUES ('{tab}', {which}.rowid, {gone});
END
"""


def set_up(db: sqlite3.Connection) -> str:
    """Make the record of `db` a spool, if it is none yet. Returns its own id."""
    db.executescript(_TABLES)
    for tab in TABLES:
        for when, which, gone in (("INSERT", "NEW", 0), ("UPDATE", "NEW", 0), ("DELETE", "OLD", 1)):
            db.execute(_TRIGGER.format(tab=tab, when=when, which=which, gone=gone))
    found = db.execute("SELECT id FROM spool").fetchone()
    if found is None:
        found = (uuid.uuid4().hex,)
        db.execute("INSERT INTO spool VALUES (?)", found)
    return str(found[0])


def waiting(db: sqlite3.Connection, most: int, large: int) -> list[tuple[int, str, int, int]]:
    """(number, table, row, gone) of the oldest that are still to be sent: about `most` rows, `large` bytes of them.

    Never ends with what is gone: the block that stands for it comes next, and nobody sees the one without the other.
    """
    found: list[tuple[int, str, int, int]] = []
    rows = db.execute(
        "SELECT seq, tab, row, gone, coalesce((SELECT length(packed) FROM blocks WHERE tab = 'blocks' AND id = row),"
        " (SELECT length(samples) FROM waveforms WHERE tab = 'waveforms' AND id = row), 0)"
        " FROM outbox ORDER BY seq"
    )
    for seq, tab, row, gone, size in rows:
        found.append((int(seq), str(tab), int(row), int(gone)))
        large -= size
        if (len(found) >= most or large < 0) and not gone:
            break
    rows.close()
    return found


def newest(db: sqlite3.Connection) -> int:
    """The greatest number that was ever given in this spool."""
    found = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'").fetchone()
    return int(found[0]) if found else 0


def count(db: sqlite3.Connection) -> int:
    """How many are still to be sent."""
    return int(db.execute("SELECT count(*) FROM outbox").fetchone()[0])


def sent(db: sqlite3.Connection, last: int) -> None:
    """Everything up to `last` has arrived."""
    db.execute("DELETE FROM outbox WHERE seq <= ?", (last,))
