"""The record of every job: what to write (`facts`), one SQLite file (`SqliteStore`), reading it (`History`)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazy import names_of
from .default_path import default_path
from .facts import (
    AcknowledgementFacts,
    Block,
    InstrumentFacts,
    JobFacts,
    StepFacts,
    StepResult,
    Store,
    StoreError,
    WrongRecord,
)
from .history import ChannelRow, History, JobRow, StepRow
from .open_record import file_of, is_server, open_history, open_store

if TYPE_CHECKING:
    from .sqlite import SqliteStore

__all__ = [
    "AcknowledgementFacts",
    "Block",
    "ChannelRow",
    "History",
    "InstrumentFacts",
    "JobFacts",
    "JobRow",
    "SqliteStore",
    "StepFacts",
    "StepResult",
    "StepRow",
    "Store",
    "StoreError",
    "WrongRecord",
    "default_path",
    "file_of",
    "is_server",
    "open_history",
    "open_store",
]
__getattr__ = names_of(globals(), {"SqliteStore": ".sqlite"})  # numpy, which who only reads does without
