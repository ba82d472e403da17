"""A plain grid of numbers, as a screen or a log shows a mesh: one row a line, mm, bed-up; which corner stands first is
said, or the front left one is.

A grid tells no coordinates: its points are taken to lie evenly over the bed, or between ends that are given.
Numbers are parted by blanks, tabs, semicolons or commas; a missing point is `nan` or `-`; lines that begin with #
are passed over.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np

from farmwatch.errors import InputError
from farmwatch.exchange.decimals import decimal
from farmwatch.history import Reading
from farmwatch.mesh import Mesh, MeshRefused

__all__ = ["Corner", "Ends", "grid_reading", "read_grid"]

Ends = tuple[float, float]
Corner = Literal["front-left", "front-right", "rear-left", "rear-right"]
"""Which corner of the bed the first number can be of, as in a mapping."""

_LARGEST_FILE = 8 << 20
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


def read_grid(text: str) -> list[list[float]]:
    """The rows of a plain grid, NaN where a point is missing; raises InputError naming the line."""
    rows: list[list[float]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        rows.append([_number(cell, number) for cell in _cells(line)])
        if len(rows[-1]) != len(rows[0]):
            raise InputError(f"line {number}: has {len(rows[-1])} numbers where the first row has {len(rows[0])}")
    if not rows:
        raise InputError("holds no numbers")
    return rows


def grid_reading(
    file: Path,
    machine: str,
    taken_at: datetime,
    now: datetime,
    *,
    bed: tuple[float, float, float, float] | None = None,
    x_ends: Ends | None = None,
    y_ends: Ends | None = None,
    first: Corner = "front-left",
) -> Reading:
    """A plain grid as a reading of one machine; its first number is that of the corner `first` of the bed.

    `bed` (x0, y0, x1, y1) is that of the machine's model, `x_ends` and `y_ends` the coordinates of the first and last
    column and row where they are known better. Raises InputError, naming file, line and reason.
    """
    if bed is not None:
        x_ends, y_ends = x_ends or (bed[0], bed[2]), y_ends or (bed[1], bed[3])
    if x_ends is None or y_ends is None:
        raise InputError(
            f"{file}: a plain grid has no coordinates; give its ends with --x and --y, or `bed` to the machine's model"
        )
    if not datetime(2015, 1, 1, tzinfo=UTC) <= taken_at <= now + timedelta(minutes=5):
        raise InputError(f"{file}: its time lies before 2015 or in the future")
    try:
        heights = np.array(read_grid(_text(file)))
        heights = heights[:: -1 if "rear" in first else 1, :: -1 if "right" in first else 1]
        mesh = Mesh.accept(np.linspace(*x_ends, heights.shape[1]), np.linspace(*y_ends, heights.shape[0]), heights)
    except (InputError, MeshRefused) as refused:
        raise InputError(f"{file}: {refused}") from None
    return Reading(machine=machine, taken_at=taken_at, seen_at=now, time_from="file", mesh=mesh)


def _text(file: Path) -> str:
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise InputError(f"larger than {_LARGEST_FILE >> 20} MiB")
        return file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is not text") from None
    except OSError as fault:
        raise InputError(str(fault.strerror)) from None


def _cells(line: str) -> list[str]:
    """Cells of a row; a comma within blank-parted numbers is a decimal mark, otherwise it parts them."""
    if ";" in line or "\t" in line:
        return [cell.strip().replace(",", ".") for cell in re.split(r"[;\t]", line.strip().strip(";"))]
    blanks = line.split()
    if len(blanks) > 1 and all(_DECIMAL_COMMA.fullmatch(cell) or "," not in cell for cell in blanks):
        return [cell.replace(",", ".") for cell in blanks]
    return [cell.strip() for cell in line.strip().strip(",").split(",")]


def _number(cell: str, line: int) -> float:
    if cell.lower() in ("nan", "-"):
        return math.nan
    try:
        return decimal(cell)
    except ValueError:
        raise InputError(f"line {line}: {cell[:40]!r} is no number") from None
