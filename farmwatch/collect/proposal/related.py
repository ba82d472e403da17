"""What stands beside the heights: coordinates along x and y, the time, the bed's temperature, plate and identity."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from farmwatch.collect.hosttime import EARLIEST, host_time
from farmwatch.collect.proposal.inventory import Inventory, Path, json_path, shared, words, wordset

__all__ = ["Axis", "RelatedFields", "axis_choices", "related_fields"]

LATEST = datetime(2100, 1, 1, tzinfo=UTC)
SHORTEST_SPAN, LONGEST_SPAN = 20.0, 3000.0

_X = wordset("x xs x0 x1 columns cols column left right width across horizontal")
_Y = wordset("y ys y0 y1 rows row front rear back depth vertical length")
# Names of sides that say an axis only where no other word of the path does: x_near is an end of x.
_X_ALONE = wordset("west east")
_Y_ALONE = wordset("near far fore aft along lengthwise south north bottom top")
_LOW = wordset(
    "min minimum lo low lower from start first begin beginning left front origin 0 near fore west south bottom"
)
_HIGH = wordset("max maximum hi high upper to end last stop finish right rear back 1 far aft east north top")
_SIZE = wordset("size width depth length extent dimension dimensions area bed")
_TIME = wordset(
    """
    time timestamp taken finished ended completed done measured probed probing at date when stamp ts updated
    created epoch recorded start started
    """
)
_CLOCK = wordset("now server uptime boot booted clock print job eta remaining total")
_TAKEN = wordset("taken finished ended completed done measured probed recorded survey mesh probing")
_WARM = wordset("temp temperature celsius deg degc warm heat heated actual c")
_DAY_FIRST = re.compile(
    r"\d{1,2}(?P<mark>[./-])(?P<second>\d{1,2})(?P=mark)\d{4}(?P<gap>,? |T)\d{1,2}:\d{2}(?P<seconds>:\d{2})?"
)
_ANY_ZONE = ZoneInfo("UTC")
_GOAL = wordset("target goal set setpoint wanted nozzle tool chamber hotend ambient room max min limit")
_IDENTITY = wordset("serial identity uuid uid")


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One way to give coordinates: the mapping's value, the numbers (all of them or two ends), and how good it is."""

    given: str | tuple[str, str] | tuple[float, ...]
    values: tuple[float, ...]
    label: str
    """x, y, or empty where it says neither."""
    near: int
    rank: float
    where: str
    unsure: str = ""
    only_size: bool = False
    """Whether it says how large the bed is and not where it was probed: good for a look, not for a mapping."""

    def fits(self, count: int) -> bool:
        """Whether it can be the coordinates of `count` places."""
        return len(self.values) in (2, count)


@dataclass(slots=True)
class RelatedFields:
    """The mapping's keys for what stands beside the heights, and what is not sure of them."""

    fields: dict[str, Any] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)


def axis_choices(inventory: Inventory, beside: Path) -> list[Axis]:
    """Everything that can be coordinates, best first, for heights that stand at `beside`."""
    found = [
        *_lists(inventory, beside),
        *_corners(inventory, beside),
        *_ends(inventory, beside),
        *_sizes(inventory, beside),
    ]
    return sorted(found, key=lambda axis: (-axis.rank, -axis.near))


def related_fields(inventory: Inventory, beside: Path) -> RelatedFields:
    """Time, temperature, plate and identity near the heights at `beside`."""
    found = RelatedFields()
    _time(inventory, beside, found)
    _bed(inventory, beside, found)
    _labels(inventory, found)
    return found


def _label(path: Path, depth: int = 3) -> str:
    """x or y, by the last names of a path that say one of them."""
    steps = path[-depth:][::-1]
    for step in steps:
        said = set(words(step))
        across, along = bool(said & _X) or _glued(step, "x"), bool(said & _Y) or _glued(step, "y")
        if across != along:
            return "x" if across else "y"
    said = {word for step in steps for word in words(step)}
    across, along = bool(said & _X_ALONE), bool(said & _Y_ALONE)
    # Top and bottom of a height are no ends of the bed.
    return ("x" if across else "y") if across != along and "z" not in said else ""


def _glued(step: str | int, axis: str) -> bool:
    """Whether a name is an axis and a side in one: xmin, maxy."""
    if not isinstance(step, str):
        return False
    name = step.lower()
    return (name[:1] == axis and name[1:] in _LOW | _HIGH) or (name[-1:] == axis and name[:-1] in _LOW | _HIGH)


def _side(path: Path, depth: int = 2) -> str:
    for step in reversed(path[-depth:]):
        said = set(words(step))
        if isinstance(step, str) and (_glued(step, "x") or _glued(step, "y")):
            name = step.lower()
            said |= {name[1:], name[:-1]}
        low, high = bool(said & _LOW), bool(said & _HIGH)
        if low != high:
            return "low" if low else "high"
    return ""


def _lists(inventory: Inventory, beside: Path) -> Iterator[Axis]:
    for path, values in inventory.lists:
        if path == beside or None in values or len(values) > 200:
            continue
        numbers = tuple(map(float, values))
        if max(map(abs, numbers)) > LONGEST_SPAN:
            continue
        steps = np.diff(numbers)
        one_way = bool((steps > 0).all() or (steps < 0).all())
        if one_way and _span(numbers[0], numbers[-1]):
            label = _label(path)
            rank = (3.0 if label else 1.0) if len(numbers) > 2 else (2.5 if label else 0.0)
            if rank:
                yield Axis(
                    given=json_path(path), values=numbers, label=label, near=shared(path, beside), rank=rank,
                    where=f"{json_path(path)} holds {len(numbers)} coordinates",
                )  # fmt: skip
        # A list that is called x holds no y.
        if len(numbers) == 4 and not _label(path, 1):
            yield from _box(path, numbers, beside)


def _box(path: Path, numbers: tuple[float, ...], beside: Path) -> Iterator[Axis]:
    """Four numbers as x0, y0, x1, y1, or as x0, x1, y0, y1 where only that can be."""
    ways = [((0, 2), (1, 3)), ((0, 1), (2, 3))]
    fits = [way for way in ways if all(numbers[a] < numbers[b] and _span(numbers[a], numbers[b]) for a, b in way)]
    if not fits:
        return
    unsure = "" if len(fits) == 1 else f"{json_path(path)} is read as x0, y0, x1, y1"
    for label, (a, b) in zip("xy", fits[0], strict=True):
        yield Axis(
            given=(json_path((*path, a)), json_path((*path, b))), values=(numbers[a], numbers[b]), label=label,
            near=shared(path, beside), rank=1.5, where=f"{json_path(path)} holds the corners", unsure=unsure,
        )  # fmt: skip


def _corners(inventory: Inventory, beside: Path) -> Iterator[Axis]:
    """Two lists, one called low and one high, that each hold x and y."""
    pairs = [(path, values) for path, values in inventory.lists if len(values) in (2, 3) and None not in values]
    lows = [(path, values) for path, values in pairs if _side(path, 1) == "low"]
    highs = [(path, values) for path, values in pairs if _side(path, 1) == "high"]
    for low, a in lows:
        for high, b in highs:
            if low[:-1] != high[:-1]:
                continue
            for i, label in enumerate("xy"):
                if _span(a[i], b[i]):
                    yield _pair((*low, i), (*high, i), a[i], b[i], label, beside, 2.0)


def _ends(inventory: Inventory, beside: Path) -> Iterator[Axis]:
    """Two numbers, one called low and one high, of the same axis and from the same object."""
    sides: dict[tuple[Path, str, str], tuple[Path, float]] = {}
    for path, value in inventory.scalars:
        if isinstance(value, str) or not path:
            continue
        label, side = _label(path, 2), _side(path)
        if label and side:
            for above in (path[:-1], path[:-2]):
                sides.setdefault((above, label, side), (path, float(value)))
    done: set[tuple[Path, Path]] = set()
    for (above, label, side), (low, a) in sides.items():
        high = sides.get((above, label, "high"))
        if side == "low" and high and _span(a, high[1]) and (low, high[0]) not in done:
            done.add((low, high[0]))
            yield _pair(low, high[0], a, high[1], label, beside, 2.2)


def _pair(low: Path, high: Path, a: float, b: float, label: str, beside: Path, rank: float) -> Axis:
    return Axis(
        given=(json_path(low), json_path(high)), values=(float(a), float(b)), label=label,
        near=min(shared(low, beside), shared(high, beside)), rank=rank,
        where=f"{json_path(low)} and {json_path(high)} are the ends",
    )  # fmt: skip


def _sizes(inventory: Inventory, beside: Path) -> Iterator[Axis]:
    """A size of the bed: at least the scale, from 0 on."""
    for path, value in inventory.scalars:
        if isinstance(value, str) or not _span(0.0, value):
            continue
        said = {word for step in path[-2:] for word in words(step)}
        label = _label(path, 2)
        if said & _SIZE and label:
            yield _size(path, float(value), label, beside)
    for path, values in inventory.lists:
        said = {word for step in path[-1:] for word in words(step)}
        if len(values) in (2, 3) and said & _SIZE and None not in values:
            for i, label in enumerate("xy"):
                if _span(0.0, values[i]):
                    yield _size((*path, i), float(values[i]), label, beside)


def _size(path: Path, value: float, label: str, beside: Path) -> Axis:
    return Axis(
        given=(0.0, value), values=(0.0, value), label=label, near=shared(path, beside), rank=0.5,
        where=f"{json_path(path)} says a size of {value:g}",
        unsure=f"{label}: only a size is known, {value:g} mm; write the first and last probed position in its place",
        only_size=True,
    )  # fmt: skip


def _span(a: float, b: float) -> bool:
    return math.isfinite(a) and math.isfinite(b) and SHORTEST_SPAN <= abs(b - a) <= LONGEST_SPAN


def _time(inventory: Inventory, beside: Path, found: RelatedFields) -> None:
    rated: list[tuple[float, Path, Any]] = []
    for path, value in inventory.scalars:
        said = {word for step in path[-2:] for word in words(step)}
        if not path or not _is_time(value) or (not isinstance(value, str) and not said & _TIME):
            continue
        last = set(words(path[-1]))
        rate = shared(path, beside) + bool(last & _TIME) + 1.5 * bool(said & _TAKEN) - 2.0 * bool(said & _CLOCK)
        rated.append((rate, path, value))
    if not rated:
        found.unsure.append("taken_at: no time was found; meshes count from when they are first seen")
        return
    rated.sort(key=lambda item: -item[0])
    _, path, value = rated[0]
    found.fields["taken_at"] = json_path(path)
    found.reasons.append(f"{json_path(path)} is a time")
    form = _day_first(value)
    if form:
        found.fields["taken_at_format"] = form
        found.unsure.append(f"taken_at_format: is {value} written day first? Else change the places of %d and %m")
    if isinstance(value, str) and (form or _naive(value)):
        found.unsure.append("taken_at: it has no offset; add taken_at_zone with the host's time zone")
    if len(rated) > 1:
        found.unsure.append(f"taken_at: {json_path(rated[1][1])} is a time too; which says when the mesh was probed?")


def _is_time(value: Any) -> bool:
    try:
        # Any zone will do to see whether it can be a time.
        form = _day_first(value)
        naive = form is not None or _naive(value)
        moment = host_time(value, _ANY_ZONE if naive else None, form)
        return EARLIEST <= moment < LATEST
    except (ValueError, OverflowError):
        return False


def _day_first(value: Any) -> str | None:
    """How a time is written that puts the day, or the month, first; None for any other."""
    match = _DAY_FIRST.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        return None
    # A second number beyond 12 can only be the day.
    first, second = ("%m", "%d") if int(match["second"]) > 12 else ("%d", "%m")
    seconds = ":%S" if match["seconds"] else ""
    return f"{first}{match['mark']}{second}{match['mark']}%Y{match['gap']}%H:%M{seconds}"


def _naive(value: Any) -> bool:
    if not isinstance(value, str) or value[4:5] != "-" or len(value) < 16:
        return False
    try:
        return datetime.fromisoformat(value).tzinfo is None
    except ValueError:
        return False


def _bed(inventory: Inventory, beside: Path, found: RelatedFields) -> None:
    rated: list[tuple[float, Path]] = []
    for path, value in inventory.scalars:
        if isinstance(value, str) or not -10 <= value <= 200 or not path:
            continue
        said = {word for step in path[-3:] for word in words(step)}
        if "bed" in said and (said & _WARM or words(path[-1]) == ("bed",)):
            rate = shared(path, beside) + bool(said & {"actual", "measured"}) - 3.0 * bool(said & _GOAL)
            rated.append((rate, path))
    rated = [item for item in rated if item[0] > -1.0]
    if not rated:
        return
    _, path = max(rated, key=lambda item: item[0])
    found.fields["bed_celsius"] = json_path(path)
    found.reasons.append(f"{json_path(path)} is a bed's temperature")
    if shared(path, beside) == 0:
        found.fields["temperature_is"] = "now"
    found.unsure.append(
        "temperature_is: is it the bed at the time of probing (at-probing) or at the time of asking (now)?"
    )


def _labels(inventory: Inventory, found: RelatedFields) -> None:
    for path, value in inventory.scalars:
        if not path or not isinstance(value, str | int) or (isinstance(value, str) and not 0 < len(value) <= 100):
            continue
        last, said = set(words(path[-1])), set(words(path[-1]))
        if last & _IDENTITY and "identity" not in found.fields and len(path) <= 3:
            found.fields["identity"] = json_path(path)
            found.unsure.append(f"identity: {json_path(path)} must never change for one machine; else leave it out")
        elif "plate" in said and "plate" not in found.fields and isinstance(value, str):
            found.fields["plate"] = json_path(path)
            found.unsure.append(f"plate: does {json_path(path)} say which plate lies on the bed?")
