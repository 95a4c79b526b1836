"""The record's tables in PostgreSQL: the same migrations in its own words, and numbers that are unique in the shop.

A bench has a number there. Its jobs are numbered bench * 100 000 + job, everything else bench * 2^40 + row, so that
rows of many benches stand in one table and still refer to each other.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from . import schema

JOBS, ROWS = 100_000, 2**40

# Column -> how it is numbered, for each table.
NUMBERED: Mapping[str, Mapping[str, int]] = {
    "jobs": {"id": JOBS},
    "instruments": {"job": JOBS},
    "sittings": {"id": ROWS, "job": JOBS},
    "steps": {"id": ROWS, "sitting": ROWS},
    "channels": {"id": ROWS, "step": ROWS},
    "readings": {"rowid": ROWS, "channel": ROWS},
    "blocks": {"id": ROWS, "channel": ROWS},
    "waveforms": {"id": ROWS, "step": ROWS},
    "acknowledgements": {"id": ROWS, "step": ROWS},
    "marks": {"id": ROWS, "step": ROWS},
    "events": {"id": ROWS, "sitting": ROWS, "step": ROWS},
    "gaps": {"id": ROWS, "step": ROWS},
    "traffic": {"id": ROWS, "sitting": ROWS},
}
KEYS: Mapping[str, tuple[str, ...]] = {
    tab: ("job", "name") if tab == "instruments" else ("rowid",) if tab == "readings" else ("id",) for tab in NUMBERED
}
OWN = (
    "CREATE TABLE IF NOT EXISTS benches"
    " (number SERIAL PRIMARY KEY, spool TEXT NOT NULL UNIQUE, drained BIGINT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS migrations (version BIGINT PRIMARY KEY, name TEXT NOT NULL, applied TEXT NOT NULL)",
)
_TYPES = {"INTEGER": "BIGINT", "REAL": "DOUBLE PRECISION", "BLOB": "BYTEA", "TEXT": "TEXT"}


def statements(version: int) -> list[str]:
    """What migration `version` (from 1) is in PostgreSQL."""
    return [in_postgres(statement) for statement in schema.statements(version)]


def in_postgres(statement: str) -> str:
    """One statement of the schema. References are left out: the spool has held them, and rows arrive in batches."""
    if not statement.startswith("CREATE TABLE"):
        return statement
    statement = re.sub(r" REFERENCES \w+ \(id\)", "", statement)
    statement = re.sub(
        r"^(\s+)(\w+) (INTEGER|REAL|BLOB|TEXT)\b", lambda m: f'{m[1]}"{m[2]}" {_TYPES[m[3]]}', statement, flags=re.M
    )
    if statement.startswith("CREATE TABLE readings"):  # SQLite numbers its rows by itself
        statement = statement.replace("(", '(\n            "rowid" BIGINT PRIMARY KEY,', 1)
    return statement


def numbered(tab: str, row: Mapping[str, Any], bench: int) -> dict[str, Any]:
    """A row of a spool with its numbers in the shop."""
    spans = NUMBERED[tab]
    return {name: _in_shop(value, spans.get(name), bench) for name, value in row.items()}


def _in_shop(value: Any, span: int | None, bench: int) -> Any:
    if isinstance(value, str):
        return value.replace("\0", "\u2400")  # PostgreSQL's text holds no NUL, and one bad byte must not stop the rest
    return value if span is None or value is None else bench * span + value


def upsert(tab: str, columns: tuple[str, ...]) -> str:
    """The statement that puts a row in, or brings it up to date."""
    keys = ", ".join(f'"{key}"' for key in KEYS[tab])
    names = ", ".join(f'"{name}"' for name in columns)
    places = ", ".join(["%s"] * len(columns))
    others = ", ".join(f'"{name}" = EXCLUDED."{name}"' for name in columns if name not in KEYS[tab])
    return f"INSERT INTO {tab} ({names}) VALUES ({places}) ON CONFLICT ({keys}) DO UPDATE SET {others}"
