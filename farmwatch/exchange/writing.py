"""All readings of the store into files: NDJSON, CSV or Parquet.

Read in slices, each by a short open, so that the service writes in between and memory does not grow. Readings are
never changed, only added to, so the slices hold exactly what stood when the export began.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Literal

from farmwatch.errors import InputError
from farmwatch.exchange.cells import to_cell
from farmwatch.exchange.csvfile import COLUMNS, OPTIONAL
from farmwatch.exchange.outcome import Exported, Progress
from farmwatch.files import replacing
from farmwatch.history import Reading
from farmwatch.store import Store
from farmwatch.store.reading_facts import FACTS
from farmwatch.store.reading_json import reading_line
from farmwatch.times import rfc3339

__all__ = ["Form", "export_readings"]

Form = Literal["ndjson", "csv", "parquet"]

_SLICE = 5_000
_PARQUET_SLICE = 100_000


def export_readings(store: Store, folder: Path, form: Form = "ndjson", progress: Progress | None = None) -> Exported:
    """Write every reading to `readings.ndjson`, `readings.csv` or `readings-0001.parquet` ... in a folder.

    The folder is made where it is missing; files of these names in it are replaced. Raises InputError and StoreError.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if form == "parquet":
            return _export_parquet(store, folder, progress)
        return _export_text(store, folder / f"readings.{form}", _WRITERS[form], progress)
    except OSError as fault:
        raise InputError(f"{folder}: {fault.strerror or fault}") from fault


def _export_text(
    store: Store, file: Path, writer: Callable[[Iterator[list[Reading]], IO[bytes]], None], progress: Progress | None
) -> Exported:
    readings, total = store.reading_count(), store.reading_end()

    def slices() -> Iterator[list[Reading]]:
        for start in range(0, total, _SLICE):
            yield store.reading_slice(start, min(start + _SLICE, total))
            if progress:
                progress(min(start + _SLICE, total), total)

    with replacing(file) as beside, beside.open("wb", buffering=1 << 20) as target:
        writer(slices(), target)
    return Exported(readings=readings, files=(file,))


def _write_ndjson(slices: Iterator[list[Reading]], target: IO[bytes]) -> None:
    for readings in slices:
        target.writelines(map(reading_line, readings))


def _write_csv(slices: Iterator[list[Reading]], target: IO[bytes]) -> None:
    with io.TextIOWrapper(target, encoding="utf-8", newline="", write_through=True) as text:
        rows = csv.writer(text, lineterminator="\n")
        rows.writerow((*COLUMNS, *OPTIONAL))
        for readings in slices:
            for reading in readings:
                rows.writerows(_csv_rows(reading))


def _csv_rows(reading: Reading) -> Iterator[tuple[str | float, ...]]:
    head = (to_cell(reading.machine), rfc3339(reading.taken_at, exact=True))
    tail = tuple(_cell(fact.said(getattr(reading, fact.name))) for fact in FACTS)
    xs = reading.mesh.x.tolist()
    for y, row in zip(reading.mesh.y.tolist(), reading.mesh.z.tolist(), strict=True):
        for x, z in zip(xs, row, strict=True):
            yield (*head, x, y, "" if z != z else z, *tail)


def _cell(value: str | float | bool | None) -> str | float:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return to_cell(value) if isinstance(value, str) else value


def _export_parquet(store: Store, folder: Path, progress: Progress | None) -> Exported:
    readings, total = store.reading_count(), store.reading_end()
    files: list[Path] = []
    for start in range(0, max(total, 1), _PARQUET_SLICE):
        file = folder / f"readings-{len(files) + 1:04d}.parquet"
        end = min(start + _PARQUET_SLICE, total)
        with replacing(file) as beside:
            store.write_parquet(beside, start, end)
        files.append(file)
        if progress:
            progress(end, total)
    for other in folder.glob("readings-*.parquet"):
        if re.fullmatch(r"readings-\d{4,}\.parquet", other.name) and other not in files:
            other.unlink()
    return Exported(readings=readings, files=tuple(files))


_WRITERS: dict[str, Callable[[Iterator[list[Reading]], IO[bytes]], None]] = {"ndjson": _write_ndjson, "csv": _write_csv}
