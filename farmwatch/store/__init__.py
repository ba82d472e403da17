"""The store: readings, polls and what people entered, in one DuckDB file shared with other processes."""

from farmwatch.store.columns import ReadingColumns
from farmwatch.store.errors import StoreBusy, StoreDamaged, StoreError, StoreFull, StoreNewer, StoreReadOnly
from farmwatch.store.records import ANSWERED, OUTCOMES, UNDERSTOOD, LastAnswer, LastMesh, Outcome, PollRecord, Run
from farmwatch.store.store import Store

__all__ = [
    "ANSWERED",
    "OUTCOMES",
    "UNDERSTOOD",
    "LastAnswer",
    "LastMesh",
    "Outcome",
    "PollRecord",
    "ReadingColumns",
    "Run",
    "Store",
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "StoreFull",
    "StoreNewer",
    "StoreReadOnly",
]
