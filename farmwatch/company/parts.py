"""Which parts a site's readings are to have in the lake: those that stand where nothing of them has changed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

from farmwatch.company.manifest import Manifest, Part
from farmwatch.store import Store
from farmwatch.store import lake as sql
from farmwatch.store.lake import Mark

__all__ = ["MOST_PARTS", "Planned", "plan_parts"]

MOST_PARTS = 8
"""Parts that a month may have; with one more it is written as one again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A part as it is to be."""

    month: str
    after: int | None
    until: int
    rows: int
    mark: int

    @property
    def path(self) -> str:
        """Made of what is in it: the same readings have the same name."""
        name = hashlib.sha256(f"{self.month} {self.after} {self.until} {self.rows} {self.mark}".encode())
        return f"readings/month={self.month}/part-{name.hexdigest()[:16]}.parquet"


def plan_parts(store: Store, before: Manifest | None) -> list[Planned]:
    """The parts as they are to be: those of before where they cover the spans, and one a month for what is new."""
    known = before.readings if before else ()
    ends = sorted({part.seen_until for part in known})
    by_month: dict[str, list[Mark]] = {}
    for mark in sql.marks(store, ends):
        by_month.setdefault(mark.month, []).append(mark)
    planned = []
    for month, found in sorted(by_month.items()):
        spans = _spans([part for part in known if part.month == month], found)
        if len(spans) > MOST_PARTS:
            spans = [(None, spans[-1][1])]
        planned += [one for after, until in spans if (one := _joined(month, after, until, found)).rows]
    return planned


def _spans(parts: Sequence[Part], found: Sequence[Mark]) -> list[tuple[int | None, int]]:
    """Spans of `seen_at` that cover a month's readings without overlap: the parts', and what lies between and after."""
    spans: list[tuple[int | None, int]] = []
    at: int | None = None
    for part in sorted(parts, key=lambda part: part.seen_until):
        if part.seen_after != at and part.seen_after is not None and (at is None or part.seen_after > at):
            spans.append((at, part.seen_after))
        spans.append((part.seen_after, part.seen_until))
        at = part.seen_until
    last = max(mark.seen_until for mark in found)
    if at is None or last > at:
        spans.append((at, last))
    return spans


def _joined(month: str, after: int | None, until: int, found: Sequence[Mark]) -> Planned:
    """What the spans between `after` and `until` come to together."""
    mine = [mark for mark in found if (after is None or mark.seen_until > after) and mark.seen_until <= until]
    return Planned(
        month=month,
        after=after,
        until=until,
        rows=sum(mark.rows for mark in mine),
        mark=reduce(lambda a, b: a ^ b, (mark.mark for mark in mine), 0),
    )
