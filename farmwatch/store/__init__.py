"""The store: readings, polls and what people entered, in one DuckDB file shared with other processes."""

from farmwatch.store.columns import ReadingColumns
from farmwatch.store.copies import Restored
from farmwatch.store.durable_writer import DurableWriter, StoreState, WriteResult
from farmwatch.store.errors import (
    StoreBusy,
    StoreDamaged,
    StoreError,
    StoreForeign,
    StoreFull,
    StoreNewer,
    StoreReadOnly,
)
from farmwatch.store.files import refuse_foreign
from farmwatch.store.records import (
    Claim,
    LastAnswer,
    LastMesh,
    Move,
    PollRecord,
    Run,
)
from farmwatch.store.store import Store

__all__ = [
    "Claim",
    "DurableWriter",
    "LastAnswer",
    "LastMesh",
    "Move",
    "PollRecord",
    "ReadingColumns",
    "Restored",
    "Run",
    "Store",
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "StoreForeign",
    "StoreFull",
    "StoreNewer",
    "StoreReadOnly",
    "StoreState",
    "WriteResult",
    "refuse_foreign",
]
