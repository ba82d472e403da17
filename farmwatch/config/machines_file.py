"""machines.csv: the machines of a large farm, one a line, in the columns of [[machines]].

Commas or semicolons; a line that begins with "# " is a remark; an empty cell is a key left out.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from farmwatch.config.faults import Notes, Place, shown
from farmwatch.text import nearest

__all__ = ["COLUMNS", "delimiter_of", "header_of", "read_machines_file"]

COLUMNS = ("name", "aisle", "model", "mapping", "address", "every_minutes")
_NEEDED = ("name", "model")
LONGEST_LINE = 8192


def read_machines_file(value: object, folder: Path, notes: Notes) -> list[tuple[Place, dict[str, Any]]]:
    """Every machine of the file as [[machines]] would hold it, with its line; faults and warnings go to `notes`."""
    text = _read_text(value, folder, notes)
    if text is None:
        return []
    lines = _lines(text)
    header = next(lines, None)
    if header is None:
        notes.fault(("machines_file",), shown(value), f"is empty; wanted a first line {','.join(COLUMNS)}")
        return []
    file = str(folder / str(value))
    names = [name.strip() for name in header[1]]
    if not _check_header(Place((), file, header[0]), names, notes):
        return []
    rows = []
    for line, cells in lines:
        place = Place((), file, line)
        if any(cell.strip() for cell in cells[len(names) :]):
            notes.fault(place, f"{len(cells)} cells", f"wanted at most {len(names)}, as in the first line")
        rows.append((place, _row(names, cells)))
    return rows


def header_of(text: str) -> list[str]:
    """The names of the columns; empty where there is no first line."""
    return [name.strip() for name in next(_lines(text), (0, []))[1]]


def delimiter_of(text: str) -> str:
    """What parts the cells: a comma, or a semicolon where the first line says so."""
    return next((_delimiter(line) for line in text.splitlines() if _holds_something(line)), ",")


def _delimiter(line: str) -> str:
    return ";" if ";" in line and "," not in line else ","


def _holds_something(line: str) -> bool:
    return bool(line.strip()) and not line.startswith("# ") and line.strip() != "#"


def _read_text(value: object, folder: Path, notes: Notes) -> str | None:
    if not isinstance(value, str) or not value or "\0" in value:
        notes.fault(("machines_file",), shown(value), 'wanted a path such as "machines.csv"')
        return None
    try:
        return (folder / value).read_bytes().decode("utf-8-sig")
    except OSError as error:
        notes.fault(("machines_file",), shown(value), f"cannot be read: {error.strerror or error}")
    except UnicodeDecodeError:
        notes.fault(("machines_file",), shown(value), "is not UTF-8 text; save it as CSV in UTF-8")
    return None


def _lines(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every line that holds something; a cell cannot run over a line's end."""
    delimiter = ""
    for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), start=1):
        if not _holds_something(line):
            continue
        if not delimiter:
            delimiter = _delimiter(line)
        # The reader gives up on a cell of 128 KiB; one so long is no machine, and its name says so.
        if len(line) > LONGEST_LINE:
            yield number, [line]
            continue
        # Spreadsheets fill the lines below a table with empty cells.
        cells = next(csv.reader([line], delimiter=delimiter))
        if any(cell.strip() for cell in cells):
            yield number, cells


def _check_header(place: Place, names: list[str], notes: Notes) -> bool:
    sound = True
    for name in names:
        if name in COLUMNS or not name:
            continue
        like = nearest(name, [column for column in COLUMNS if column not in names])
        hint = f"; did you mean {like}?" if like else ""
        notes.warn(place.under(name), f"a column that farmwatch does not read{hint}")
    for name in COLUMNS:
        if names.count(name) > 1:
            notes.fault(place.under(name), "", "this column stands here twice")
            sound = False
    for name in _NEEDED:
        if name not in names:
            notes.fault(place.under(name), "", f"this column is missing; wanted {','.join(COLUMNS)}")
            sound = False
    return sound


def _row(names: list[str], cells: list[str]) -> dict[str, Any]:
    """The cells that are filled, as [[machines]] would hold them."""
    row: dict[str, Any] = {
        name: cell.strip() for name, cell in zip(names, cells, strict=False) if name in COLUMNS and cell.strip()
    }
    if "every_minutes" in row:
        # What is no number stays text, and the section says so.
        with suppress(ValueError):
            row["every_minutes"] = float(row["every_minutes"])
    return row
