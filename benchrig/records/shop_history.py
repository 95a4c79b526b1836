"""Reading the shop's record: `History` on PostgreSQL. Jobs are numbered as `shop_tables` says."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .facts import StoreError, WrongRecord
from .history import History
from .schema import VERSION
from .shop import CONNECT, psycopg_


class ShopRow(tuple[Any, ...]):
    """A row that answers to numbers and to names, as SQLite's do."""

    names: tuple[str, ...] = ()

    def keys(self) -> tuple[str, ...]:
        return self.names

    def __getitem__(self, which: Any) -> Any:
        return tuple.__getitem__(self, self.names.index(which) if isinstance(which, str) else which)


def _rows_by_name(cursor: Any) -> Any:
    """psycopg's row factory."""
    names = tuple(column.name for column in cursor.description or ())
    return type("ShopRow", (ShopRow,), {"names": names})


class ShopHistory(History):
    """The shop's record opened for reading. Use it as a context manager."""

    newest = "started DESC, id DESC"  # each bench counts its own jobs

    def __init__(self, url: str) -> None:
        psycopg = psycopg_()
        self.path = Path("the shop's record")
        self._errors = psycopg.Error
        try:
            self._connection = psycopg.connect(
                url, connect_timeout=CONNECT, autocommit=True, row_factory=_rows_by_name,
                options="-c default_transaction_read_only=on",
            )  # fmt: skip
        except psycopg.Error as error:
            raise StoreError(
                f"The shop's record cannot be reached: {' '.join(str(error).split()).rstrip('.?')}.",
                next_step="Is the server up?",
            ) from None
        try:
            self._check_version()
        except BaseException:
            self._connection.close()
            raise

    def _check_version(self) -> None:
        if self._rows("SELECT to_regclass('migrations')")[0][0] is None:
            raise WrongRecord("That database holds no record of benchrig yet.", next_step="Run a job with it first.")
        found = self._rows("SELECT coalesce(max(version), 0) FROM migrations")[0][0]
        if found > VERSION:
            raise WrongRecord(
                "The shop's record was written by a newer benchrig.", next_step="Bring this one up to date."
            )
        if found < VERSION:
            raise StoreError(
                f"The shop's record has the tables of an older benchrig (version {found}).",
                next_step="Run a job with it from an up-to-date bench first: that brings them up to date.",
            )

    def close(self) -> None:
        self._connection.close()

    def _rows(self, sql: str, *values: Any) -> list[Any]:
        try:
            rows: list[Any] = self._connection.execute(sql.replace("?", "%s"), values).fetchall()
        except self._errors as error:
            raise StoreError(
                f"The shop's record cannot be read: {' '.join(str(error).split()).rstrip('.?')}.",
                next_step="Is the server up?",
            ) from error
        return rows

    def _each(self, sql: str, *values: Any) -> Iterator[Any]:
        yield from self._rows(sql, *values)
