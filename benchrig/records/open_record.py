"""Which record a name means: a file, or a shop's PostgreSQL server."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

from .default_path import default_path
from .facts import WrongRecord
from .history import History

if TYPE_CHECKING:
    from .sqlite import SqliteStore

_SERVERS = ("postgresql://", "postgres://")


def is_server(where: str | Path | None) -> bool:
    """True for the address of a PostgreSQL server."""
    return str(where or "").startswith(_SERVERS)


def refuse_password(where: str) -> None:
    """An address with a password in it is read by whoever lists the processes. Raises WrongRecord with the cure."""
    parts = urlsplit(where)
    if parts.password is not None or "password" in parse_qs(parts.query, keep_blank_values=True):
        raise WrongRecord(
            "The address of the server has a password in it, which every list of processes shows.",
            next_step="Put it into ~/.pgpass, a service file (postgresql:///?service=NAME), or PGPASSWORD.",
        )


def file_of(where: str | Path | None) -> Path:
    """The file meant; the default record for None. Raises WrongRecord for the address of something else."""
    if "://" in str(where or ""):
        raise WrongRecord(
            f"{where} is no record.", next_step="Name a file, or a server: postgresql://USER@HOST/DATABASE"
        )
    return Path(where or default_path())


def open_store(where: str | Path | None) -> SqliteStore:
    """The store for writing; the default record for None. A server is written through a local spool."""
    if is_server(where):
        refuse_password(str(where))
        from .shop import ShopStore

        return ShopStore(str(where))
    from .sqlite import SqliteStore

    return SqliteStore(file_of(where))


def open_history(where: str | Path | None) -> History:
    """The record for reading; the default record for None."""
    if is_server(where):
        refuse_password(str(where))
        from .shop_history import ShopHistory

        return ShopHistory(str(where))
    return History(file_of(where))
