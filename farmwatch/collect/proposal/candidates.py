"""What in an answer can be heights: blocks of rows, flat lists of a plausible length, lists of points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain, permutations
from typing import Any

import numpy as np

from farmwatch.collect.faults import PollError
from farmwatch.collect.grid import MOST_POINTS, points_grid
from farmwatch.collect.proposal.inventory import WILD, Inventory, Path, json_path, shared, words, wordset
from farmwatch.mesh import Floats

__all__ = ["Candidate", "as_array", "candidates"]

SHORTEST, LONGEST = 3, 200
MOST_CANDIDATES = 400
MOST_FIELDS = 10
LEAST_FILLED = 0.8
# Neither a height nor a coordinate nor a time in milliseconds; its square still fits a float.
TOO_LARGE = 1e15


@dataclass(slots=True, kw_only=True)
class Candidate:
    """A place that may hold heights. `runs` `[run, along]` as listed, raw unit, NaN missing."""

    path: Path
    layout: str
    fields: dict[str, Any]
    """The mapping's keys that say where the heights stand."""
    runs: Floats
    evidence: float = 0.0
    """What speaks for it beside its names and numbers."""
    reasons: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    axes: tuple[Floats, Floats] | None = None
    """x and y, where the points carry them."""


def candidates(inventory: Inventory) -> list[Candidate]:
    """Every place that may hold heights, bounded in number."""
    found: list[Candidate] = []
    in_points: set[str] = set()
    for candidate in chain(_points(inventory), _blocks(inventory), _flats(inventory)):
        found.append(candidate)
        if candidate.layout == "points":
            in_points.add(candidate.fields["heights"])
        elif candidate.fields["heights"] in in_points:
            # Two of the columns make a grid: that is no accident.
            candidate.evidence -= 4.0
        if len(found) >= MOST_CANDIDATES:
            break
    return found


def _blocks(inventory: Inventory) -> Iterator[Candidate]:
    for path, rows in inventory.blocks:
        yield from _of_rows(path, json_path(path), rows)
    for path, rows_by_name in inventory.numeric_maps:
        # Rows under names that count: row0, row1, ...
        numbers = [[int(word) for word in words(name) if word.isdigit()] for name in rows_by_name]
        if numbers == sorted(numbers) and all(numbers):
            yield from _of_rows(path, json_path((*path, WILD)), list(rows_by_name.values()))
    for path, table in inventory.tables:
        for name in list(table[0])[:MOST_FIELDS]:
            inner: list[Any] = [element.get(name) for element in table]
            if all(type(row) is list for row in inner) and len({len(row) for row in inner}) == 1:
                yield from _of_rows((*path, name), json_path((*path, WILD, name)), inner)


def _of_rows(path: Path, heights: str, rows: Sequence[Sequence[Any]]) -> Iterator[Candidate]:
    if not _fits(len(rows), len(rows[0])):
        return
    values = as_array(list(chain.from_iterable(rows)))
    if values is not None:
        fields = {"heights": heights, "layout": "rows"}
        runs = values.reshape(len(rows), len(rows[0]))
        reason = f"{len(rows)} rows of {len(rows[0])} numbers"
        yield Candidate(path=path, layout="rows", fields=fields, runs=runs, reasons=[reason])


def _flats(inventory: Inventory) -> Iterator[Candidate]:
    counts = [(path, value) for path, value in inventory.scalars if type(value) is int and SHORTEST <= value <= LONGEST]
    for path, values in inventory.lists:
        if not SHORTEST**2 <= len(values) <= MOST_POINTS:
            continue
        array = as_array(values)
        if array is not None:
            yield from _folded(path, array, counts, inventory)


def _folded(path: Path, values: Floats, counts: list[tuple[Path, int]], inventory: Inventory) -> Iterator[Candidate]:
    """A flat list in the shape that a number beside it, its coordinates or its own smoothness speaks for."""
    size = values.size
    sides = [side for side in range(SHORTEST, min(LONGEST, size // SHORTEST) + 1) if size % side == 0]
    said = [(where, count) for where, count in counts if count in sides]
    said.sort(key=lambda item: (-abs(_says_columns(item[0])), -shared(item[0], path)))
    listed = {len(list_) for _, list_ in inventory.lists if _climbs(list_)}
    by_axes = [side for side in sides if side in listed and size // side in listed]
    square = [side for side in sides if side * side == size]
    if said and (_says_columns(said[0][0]) or not (by_axes or square)):
        yield _counted(path, values, *said[0])
    elif square or by_axes:
        side = (by_axes or square)[0]
        why = "as many as its coordinates make" if by_axes else "a square number"
        yield _flat(path, values, side, side, 0.5 if by_axes else 0.0, f"{size} numbers, {why}")
    elif sides:
        side = min(sides, key=lambda side: _roughness(values.reshape(-1, side)))
        found = _flat(path, values, side, side, -1.0, f"{size} numbers, smoothest in {side} columns")
        found.unsure.append(f"columns: nothing in the answer says {side}")
        yield found


def _counted(path: Path, values: Floats, where: Path, count: int) -> Candidate:
    """A flat list in as many columns, or rows, as a number of the answer says."""
    says = _says_columns(where)
    if says < 0:
        columns = values.size // count
        return _flat(path, values, columns, columns, 1.0, f"{values.size} numbers, {json_path(where)} says its rows")
    reason = f"{values.size} numbers, {json_path(where)} says its columns"
    found = _flat(path, values, json_path(where), count, 1.0 if says else -0.5, reason)
    if not says:
        found.unsure.append(f"columns: {json_path(where)} is {count} and may mean something else")
    return found


def _flat(path: Path, values: Floats, columns: int | str, count: int, evidence: float, reason: str) -> Candidate:
    fields = {"heights": json_path(path), "layout": "flat", "columns": columns}
    runs = values.reshape(-1, count)
    return Candidate(path=path, layout="flat", fields=fields, runs=runs, evidence=evidence, reasons=[reason])


_COLUMNS = wordset("columns cols column col x nx width wide across xs ncols")
_ROWS = wordset("rows row y ny depth deep along ys nrows height lines")


def _says_columns(path: Path) -> int:
    """1 where a count is called columns, -1 where it is called rows, 0 where it says neither."""
    for step in reversed(path[-2:]):
        said = set(words(step))
        if said & _COLUMNS:
            return 1
        if said & _ROWS:
            return -1
    return 0


def _points(inventory: Inventory) -> Iterator[Candidate]:
    for path, table in inventory.tables:
        if SHORTEST**2 <= len(table) <= MOST_POINTS:
            yield from _of_points(path, _leaves(table))
    for path, rows in inventory.blocks:
        if SHORTEST**2 <= len(rows) <= MOST_POINTS and 3 <= len(rows[0]) <= MOST_FIELDS:
            values = as_array(list(chain.from_iterable(rows)))
            if values is not None:
                columns = values.reshape(len(rows), -1)
                yield from _of_points(path, {(i,): columns[:, i] for i in range(columns.shape[1])})


def _leaves(table: list[dict[str, Any]]) -> dict[Path, Floats]:
    """The numbers that every element holds at the same place, at most two steps down."""
    found: dict[Path, Floats] = {}
    for path in _places(table[0])[: 2 * MOST_FIELDS]:
        array = as_array([_at(element, path) for element in table])
        if array is not None and np.isfinite(array).mean() >= LEAST_FILLED:
            found[path] = array
        if len(found) >= MOST_FIELDS:
            break
    return found


def _places(element: dict[str, Any]) -> list[Path]:
    places: list[Path] = []
    for name, value in list(element.items())[: 4 * MOST_FIELDS]:
        if isinstance(value, dict):
            places += [(name, inner) for inner in list(value)[:MOST_FIELDS]]
        elif isinstance(value, list) and len(value) <= MOST_FIELDS:
            places += [(name, i) for i in range(len(value))]
        else:
            places.append((name,))
    return places


def _at(element: Any, path: Path) -> Any:
    for step in path:
        if isinstance(element, dict):
            element = element.get(step)
        elif isinstance(element, list) and isinstance(step, int) and step < len(element):
            element = element[step]
        else:
            return None
    return element


def _of_points(path: Path, columns: dict[Path, Floats]) -> Iterator[Candidate]:
    """The pairs of columns that make a grid, with each of the other columns as heights."""
    best: tuple[float, Path, Path] | None = None
    for x, y in permutations([place for place, values in columns.items() if np.isfinite(values).all()], 2):
        if not _makes_a_grid(columns[x], columns[y]):
            continue
        rank = _named(x, "x") + _named(y, "y")
        if best is None or rank > best[0]:
            best = (rank, x, y)
    if best is None:
        return
    rank, x, y = best
    for z in columns:
        if z in (x, y):
            continue
        try:
            xs, ys, grid = points_grid(columns[x], columns[y], columns[z])
        except PollError:
            continue
        fields = {"heights": json_path(path), "layout": "points"}
        fields |= {f"point_{name}": json_path(place) for name, place in zip("xyz", (x, y, z), strict=True)}
        found = Candidate(
            path=(*path, *z), layout="points", fields=fields, runs=grid, evidence=2.0 + _named(z, "z"), axes=(xs, ys)
        )
        found.reasons.append(f"{len(columns[z])} points that make a grid of {len(ys)} rows and {len(xs)} columns")
        if rank < 1:
            found.unsure.append("point_x and point_y: they may be the other way round")
        yield found


def _makes_a_grid(x: Floats, y: Floats) -> bool:
    across, along = np.unique(x).size, np.unique(y).size
    return bool(
        _fits(along, across)
        and LEAST_FILLED * across * along <= x.size <= across * along
        and np.ptp(x) > 0 < np.ptp(y)
        and np.unique(np.column_stack([x, y]), axis=0).shape[0] == x.size
    )


def _named(place: Path, name: str) -> float:
    """1 where the last word of a place is `name`, half where it stands among its words."""
    said = [word for step in place for word in words(step)]
    if said and said[-1] == name:
        return 1.0
    # The places of a list: a pair or a triple is x, y (, z), whatever it is called.
    if place and place[-1] == "xyz".index(name):
        return 0.5
    return 0.5 if name in said else 0.0


def as_array(values: list[Any]) -> Floats | None:
    """Numbers and nulls as an array, NaN for null; None where something else, nothing or a giant is among them."""
    kinds = set(map(type, values))
    if not kinds <= {int, float, type(None)} or not kinds & {int, float}:
        return None
    try:
        array = np.array(values, dtype=np.float64)
    except OverflowError:
        return None
    return array if np.nanmax(np.abs(array)) < TOO_LARGE else None


def _fits(rows: int, columns: int) -> bool:
    return SHORTEST <= rows <= LONGEST and SHORTEST <= columns <= LONGEST


def _climbs(values: list[Any]) -> bool:
    if len(values) < SHORTEST or None in values:
        return False
    array = as_array(values)
    if array is None:
        return False
    steps = np.diff(array)
    return bool((steps > 0).all() or (steps < 0).all())


def _roughness(runs: Floats) -> float:
    """Mean square of the steps between neighbours of both directions."""
    return float(np.nanmean(np.diff(runs, axis=0) ** 2) + np.nanmean(np.diff(runs, axis=1) ** 2))
