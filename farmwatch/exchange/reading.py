"""Files of readings into the store: NDJSON, CSV, Parquet, and a plain grid for one machine.

Files are read in batches, each stored before the next is read, so memory does not grow with the file. A line that
cannot be taken is named and the rest goes on; the same file again is harmless.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from farmwatch.errors import InputError
from farmwatch.exchange.batch import Gatherer, Line
from farmwatch.exchange.csvfile import csv_lines
from farmwatch.exchange.ndjson import ndjson_lines
from farmwatch.exchange.outcome import Imported, Progress
from farmwatch.exchange.parquet import parquet_lines
from farmwatch.store import ReadingColumns, Store

__all__ = ["import_files"]

Refuse = Callable[[int, str], None]
Batches = Iterator[tuple[list[Line], int]]

# Heights in one transaction: some 30,000 readings of 7 x 7, 16 MB. Each transaction packs the table's last block anew,
# so few large ones cost a third less than many small ones.
_STORE_AT_ONCE = 2_000_000

_READERS: dict[str, Callable[[Path, Refuse], Batches]] = {
    ".ndjson": ndjson_lines,
    ".jsonl": ndjson_lines,
    ".csv": csv_lines,
    ".parquet": parquet_lines,
}


def import_files(
    store: Store,
    files: Sequence[Path],
    machines: Collection[str],
    now: datetime,
    progress: Progress | None = None,
) -> Imported:
    """Store the readings of files; `machines` are the names that the configuration knows.

    Raises InputError for a file that is missing or of no known kind, before anything is read, and StoreError where
    the database cannot be written; what was stored until then stays.
    """
    for file in files:
        if not file.is_file():
            raise InputError(f"{file}: there is no such file")
        if file.suffix.lower() not in _READERS:
            raise InputError(
                f"{file}: its name must end in {', '.join(_READERS)}; "
                "for a plain grid of numbers name its --machine and --at"
            )
    result = Imported()
    total = sum(file.stat().st_size for file in files)
    before = 0
    with _no_search_for_cycles():
        for file in files:
            for done in _import_file(store, file, machines, now, result):
                if progress:
                    progress(min(before + done, total), total)
            before += file.stat().st_size
    if progress:
        progress(total, total)
    return result


def _import_file(store: Store, file: Path, machines: Collection[str], now: datetime, result: Imported) -> Iterator[int]:
    """Store one file; yields, after each batch, how many bytes of it are done."""

    waiting: list[tuple[int, str]] = []

    def refuse(line: int, why: str) -> None:
        waiting.append((line, why))

    def tell() -> None:
        # What is no JSON is found before what is no reading: a batch is told in the order of the file.
        for line, why in sorted(waiting):
            result.refuse(file, line, why)
        waiting.clear()

    gatherer = Gatherer(machines, now, refuse)
    parts: list[ReadingColumns] = []
    # One batch is stored while the next is read, and never more than that: DuckDB works outside Python's lock.
    with ThreadPoolExecutor(1) as storing:
        under_way: Future[None] | None = None
        for lines, done in _READERS[file.suffix.lower()](file, refuse):
            parts.append(gatherer.columns(lines))
            tell()
            if sum(map(_weight, parts)) >= _STORE_AT_ONCE:
                if under_way:
                    under_way.result()
                under_way = storing.submit(_add, store, parts, result)
                parts = []
                yield done
        if under_way:
            under_way.result()
        _add(store, parts, result)
    tell()
    result.not_read |= gatherer.not_read


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Millions of short-lived lists, none in a cycle: looking for cycles among them takes a fifth of an import."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _add(store: Store, parts: Sequence[ReadingColumns], result: Imported) -> None:
    columns = ReadingColumns.joined(parts)
    stored = store.add_readings(columns)
    result.stored += stored
    result.same += len(columns) - stored


def _weight(part: ReadingColumns) -> int:
    """Heights, and some for each reading's own columns."""
    return part.heights.size + 20 * len(part)
