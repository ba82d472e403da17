"""The farm's graphics on one scale of millimetres: where each machine stands, and the quarter behind it.

Every range graphic of an edition is drawn on the same logarithmic scale with both limits marked, so that places can
be compared from page to page.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from farmwatch.judge.assessment import Condition
from farmwatch.model import Limits
from farmwatch.report.quarter import WeekCounts
from farmwatch.report.scale import CONDITIONS, MmScale, draw_mark, mark_path
from farmwatch.report.svg import Drawing
from farmwatch.text import count, mm, shortened

__all__ = ["Mark", "quarter_columns", "range_strip"]

# Mean width of a letter in its size; generous, since the reader's face is not known.
_LETTER = 11.0 * 0.56
_LANE, _LINE, _UNIT, _BIN = 14.0, 12.0, 8.0, 9.0
_NAMED, _NAMED_MOST = 5, 7
# Above so many machines the sound ones are counted, not marked one by one.
_COUNTED_ABOVE = 60
_MOVED_UNITS = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One machine on the strip."""

    machine: str
    condition: Condition
    range_mm: float
    before_mm: float | None
    """A week ago; None where that is not known."""
    crossed: bool
    """It was in another condition a week ago."""
    sure: bool
    """Confirmed by a mesh of this week that can be judged."""


def range_strip(marks: Sequence[Mark], limits: Limits, scale: MmScale, *, key: str, wide: float = 700.0) -> Markup:
    """A row per condition, a mark per machine; a hairline leads from where it stood last week.

    Named are the worst and those that crossed a limit, a lane each, so that no label meets a mark. Wide: units across;
    under 500 (a narrow screen) a row's name stands above it.
    """
    narrow = wide < 500.0
    past = sum(mark.condition == "past-limit" for mark in marks)
    worst = max(marks, key=lambda m: m.range_mm, default=None)
    title = f"Range of {count(len(marks), 'machine')} on one scale, mm; {past:,} past the usable limit"
    desc = f"Worst: {worst.machine}, {mm(worst.range_mm, 2)} mm." if worst is not None else ""
    drawing = Drawing(key, wide, 0.0, title=title, desc=desc, kind="strip narrow" if narrow else "strip")
    strip = _Strip(drawing, limits, scale, 16.0 if narrow else 104.0, wide - 12.0)
    rows = _rows(marks, strip, narrow=narrow)
    foot = sum(row.height for row in rows) + 4.0
    drawing.grow(foot + 30.0)
    strip.frame(foot)
    top = 0.0
    for row in rows:
        strip.row(row, top, narrow=narrow)
        top += row.height
    return drawing.done()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    condition: Condition
    name: str
    named: tuple[tuple[Mark, _Label], ...]
    rest: tuple[Mark, ...]
    counted: bool
    height: float
    head: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Label:
    """Where a mark's name stands: from `x` on, in its lane or (where that has no room) in a line of its own above."""

    words: str
    x: float
    above: bool

    @property
    def lane(self) -> float:
        return _LANE + (_LINE if self.above else 0.0)


def _rows(marks: Sequence[Mark], strip: _Strip, *, narrow: bool) -> list[_Row]:
    worst = sorted(marks, key=lambda m: (-m.range_mm, m.machine))
    named = {m.machine for m in worst[:_NAMED] if m.condition == "past-limit"}
    crossed = [m.machine for m in worst if m.crossed and m.machine not in named]
    named |= set(crossed[: (_NAMED_MOST if not narrow else 6) - len(named)])
    rows = []
    for condition, name in CONDITIONS[:3]:
        mine = [m for m in worst if m.condition == condition]
        if not mine:
            continue
        rest = tuple(m for m in mine if m.machine not in named)
        counted = len(marks) > _COUNTED_ABOVE and condition != "past-limit"
        labelled = tuple((m, strip.label(m)) for m in mine if m.machine in named)
        head = 14.0 if narrow else 0.0
        body = (26.0 if counted else _LANE) if rest else 0.0
        if rest and not counted:
            body = max(_LANE, min(38.0, 3.0 + _UNIT * max(Counter(map(strip.slot, rest)).values())))
        rows.append(
            _Row(
                condition=condition,
                name=f"{len(mine):,} {name}",
                named=labelled,
                rest=rest,
                counted=counted,
                height=head + sum(label.lane for _, label in labelled) + body + 5.0,
                head=head,
            )
        )
    return rows


class _Strip:
    def __init__(self, drawing: Drawing, limits: Limits, scale: MmScale, left: float, right: float) -> None:
        self.drawing, self.limits, self.scale, self.left, self.right = drawing, limits, scale, left, right

    def x(self, value: float) -> float:
        return self.left + (self.right - self.left) * self.scale.share(value)

    def frame(self, foot: float) -> None:
        draw = self.drawing
        draw.line(self.left, foot, self.right, foot, "neat")
        ideal, usable = self.x(self.limits.ideal_mm), self.x(self.limits.usable_mm)
        for tick in self.scale.ticks(self.limits, apart=0.0):
            # The limits' names stand to the left of the one and to the right of the other.
            if ideal - 60 < self.x(tick) < ideal + 18 or usable - 18 < self.x(tick) < usable + 66:
                continue
            draw.line(self.x(tick), foot, self.x(tick), foot + 4, "neat")
            draw.text(f"{tick:g}", self.x(tick), foot + 15, cls="tick", text_anchor="middle")
        for word, value, anchor in (("ideal", self.limits.ideal_mm, "end"), ("usable", self.limits.usable_mm, "start")):
            draw.line(self.x(value), 0, self.x(value), foot + 5, "limit" if word == "usable" else "limit ideal")
            shift = 8.0 if anchor == "end" else -8.0
            draw.text(f"{word} {value:g}", self.x(value) + shift, foot + 16, cls="named", text_anchor=anchor)
        draw.text("mm", self.right, foot + 28, cls="side", text_anchor="end")

    def row(self, row: _Row, top: float, *, narrow: bool) -> None:
        if narrow:
            self.drawing.text(row.name, self.left, top + 11, cls="named")
        else:
            self.drawing.text(row.name, 0.0, top + 12, cls="named")
        y = top + row.head
        for mark, label in row.named:
            self._named(mark, label, y)
            y += label.lane
        if row.rest and row.counted:
            self._counted(row.rest, y)
        elif row.rest:
            self._stacked(row.rest, y, row.height - (y - top) - 5.0)

    def slot(self, mark: Mark) -> int:
        """The column in which a mark without a name is stacked."""
        return int((self.x(mark.range_mm) - self.left) // _BIN)

    def label(self, mark: Mark) -> _Label:
        """Right or left of its marks, else above: where the words meet neither a limit's line nor the frame."""
        words = f"{shortened(mark.machine, 18)} {mm(mark.range_mm, 2)}"
        wide, ends = len(words) * _LETTER, self._ends(mark)
        lines = [self.x(self.limits.ideal_mm), self.x(self.limits.usable_mm)]

        def is_clear(start: float) -> bool:
            inside = start >= self.left and start + wide <= self.right + 6.0
            return inside and not any(start - 4 < line < start + wide + 4 for line in lines)

        right, left = max(ends) + 9.0, min(ends) - 9.0 - wide
        beside = [right, left, *(line + 5.0 for line in lines if line > right), *(line - 5.0 - wide for line in lines)]
        for start in beside:
            if is_clear(start) and (start >= right or start <= left):
                return _Label(words=words, x=start, above=False)
        above = [self.x(mark.range_mm) - wide / 2, lines[1] + 5.0, self.right - wide, lines[0] - 5.0 - wide, self.left]
        return _Label(words=words, x=next(filter(is_clear, above), self.left), above=True)

    def _ends(self, mark: Mark) -> list[float]:
        x = self.x(mark.range_mm)
        if mark.before_mm is not None and abs(self.x(mark.before_mm) - x) >= _MOVED_UNITS:
            return [x, self.x(mark.before_mm)]
        return [x]

    def _named(self, mark: Mark, label: _Label, top: float) -> None:
        y = top + label.lane - _LANE / 2
        self.way(mark, y)
        self.drawing.text(label.words, label.x, y + 4 - (_LINE if label.above else 0.0), cls="name")

    def way(self, mark: Mark, y: float) -> None:
        """A mark, and the hairline to where it stood last week."""
        x, *was = self._ends(mark)
        for before in was:
            sign = 1 if x > before else -1
            self.drawing.line(before + 4 * sign, y, x - 5 * sign, y, "hairline")
            self.drawing.add("path", cls="was", d=mark_path(mark.condition, before, y, 3.2))
        self._mark(mark, x, y)

    def _stacked(self, marks: Sequence[Mark], top: float, room: float) -> None:
        slots: dict[int, list[Mark]] = {}
        for mark in marks:
            slots.setdefault(self.slot(mark), []).append(mark)
        unit = min(_UNIT, room / max(len(some) for some in slots.values()))
        for slot, some in sorted(slots.items()):
            x = self.left + _BIN * slot + _BIN / 2
            for i, mark in enumerate(some):
                self._mark(mark, x, top + room - unit * (i + 0.5), min(4.0, 0.5 * unit))

    def _counted(self, marks: Sequence[Mark], top: float) -> None:
        """Bars of numbers: too many to tell apart."""
        wide = 26.0
        slots = Counter(int((self.x(mark.range_mm) - self.left) // wide) for mark in marks)
        most = max(slots.values())
        for slot, many in sorted(slots.items()):
            x, high = self.left + wide * slot, max(1.0, 13.0 * many / most)
            self.drawing.add("rect", cls="bar", x=x + 1, y=top + 26 - high, width=wide - 2, height=high)
            self.drawing.text(f"{many}", x + wide / 2, top + 23 - high, cls="tick", text_anchor="middle")

    def _mark(self, mark: Mark, x: float, y: float, size: float = 4.0) -> None:
        draw_mark(self.drawing, mark.condition, x, y, size, sure=mark.sure)


def quarter_columns(weeks: Sequence[WeekCounts], *, key: str, wide: float = 420.0) -> Markup:
    """Thirteen columns of counts, past the limit at the foot; repairs and jumps on a line each below."""
    last = weeks[-1]
    said = ", ".join(f"{last.conditions.get(c, 0)} {name}" for c, name in CONDITIONS if last.conditions.get(c, 0))
    first = weeks[0].conditions.get("past-limit", 0)
    title = f"Machines by condition at the end of each of {len(weeks)} weeks"
    drawing = Drawing(
        key, wide, 148, title=title, desc=f"Past the limit: {first} at first; now {said}.", kind="quarter"
    )
    most = max(sum(week.conditions.values()) for week in weeks) or 1
    left, foot, head = 54.0, 82.0, 14.0
    step = (wide - left) / len(weeks)
    for i, week in enumerate(weeks):
        x, y = left + step * i, foot
        for condition, _ in CONDITIONS:
            high = (foot - head) * week.conditions.get(condition, 0) / most
            if high > 0.0:
                drawing.add("rect", cls=f"q-{condition}", x=x + 2, y=y - high, width=step - 4, height=high)
            y -= high
        past = week.conditions.get("past-limit", 0)
        drawing.text(f"{past}", x + step / 2, 10, cls="named" if i == len(weeks) - 1 else "tick", text_anchor="middle")
        if i % 3 == 0:
            drawing.text(week.name, x + step / 2, foot + 13, cls="tick", text_anchor="middle")
        for row, number_of in enumerate((week.repairs, week.jumps)):
            if number_of:
                drawing.text(f"{number_of}", x + step / 2, foot + 29 + 15 * row, cls="tick", text_anchor="middle")
    drawing.line(left, foot, wide, foot, "neat")
    for words, y in (("past limit", 10.0), ("repairs", foot + 29), ("jumps", foot + 44)):
        drawing.text(words, 0.0, y, cls="tick")
    return drawing.done()
