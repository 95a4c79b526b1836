"""The record of every job: what to write (`facts`), one SQLite file (`SqliteStore`), reading it (`History`)."""

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
from .opening import file_of, is_server, open_history, open_store
from .place import default_path
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
