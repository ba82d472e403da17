"""Hours and parts of the open work: by kind, from the farm's own records where there are enough. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE, Advice
from farmwatch.text import count, joined, mm
from farmwatch.tickets import Ticket

__all__ = ["Labour", "LabourRow", "count_parts", "find_labour", "parts_in_words", "parts_of", "work_of"]

FEWEST_TIMED = 3
"""Timed jobs of a kind from which on the farm's own median counts."""
# A job taken on Friday and closed on Monday was not worked on for three days.
_LONGEST_HOURS = 12.0
# From this side on a machine is heavy enough to be tipped by two: common practice, no source.
_TWO_PEOPLE_FROM_MM = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LabourRow:
    """One kind of work: how many jobs begin with it, and hours in all."""

    work: str
    jobs: int
    hours: float
    timed: bool
    """The hours rest on jobs that were timed at this farm, not on common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Labour:
    """What the open work takes."""

    rows: tuple[LabourRow, ...]
    hours: float
    each: Mapping[str, float]
    """Hours by machine, of those past the limit for whom a shim is a choice too."""
    parts: str
    """Shims and plates in words; empty where none is needed."""
    for_two: int
    """Jobs for two people: a large machine that is tipped to reach its screws."""


def find_labour(
    needing: Sequence[Assessment], choices: Sequence[Assessment], tickets: Sequence[Ticket], at: datetime
) -> Labour:
    """What the work on `needing` takes; of `choices` (shim or accept) the hours alone are told, machine by machine.

    tickets: all on record. A job takes the farm's median for work that begins with the same kind; where fewer than
    three such jobs were timed, the median of all; where fewer than three were timed at all, common practice.
    """
    own = _medians(tickets, at)
    each = {machine.machine: _job_hours(machine, own) for machine in (*needing, *choices)}
    rows = []
    for kind, row in ADVICE.items():
        mine = [m.machine for m in needing if work_of(m)[:1] == (kind,)]
        if mine:
            timed = kind in own or None in own
            rows.append(LabourRow(work=row.work, jobs=len(mine), hours=sum(each[name] for name in mine), timed=timed))
    return Labour(
        rows=tuple(rows),
        hours=sum(row.hours for row in rows),
        each=each,
        parts=parts_of(needing),
        for_two=sum(for_two_people(machine) for machine in needing),
    )


def work_of(machine: Assessment) -> tuple[Advice, ...]:
    """The kinds of bench work that a machine's advice asks for, in order."""
    return tuple(kind for kind in machine.advice if ADVICE[kind].bench_hours is not None)


def parts_of(machines: Sequence[Assessment], *, short: bool = False) -> str:
    """Shims by thickness and plates: "2 shims of 0.05 mm and 1 plate"; empty where no part is needed.

    short: without the thicknesses.
    """
    return parts_in_words(*count_parts(machines), short=short)


def count_parts(machines: Sequence[Assessment]) -> tuple[Counter[float], int]:
    """Shims by thickness, mm, and plates that the machines' plans ask for."""
    shims: Counter[float] = Counter()
    plates = 0
    for machine in machines:
        plates += "plate" in machine.advice
        if machine.plan is not None and "shim" in machine.advice:
            shims.update(round(thick, 3) for thick in machine.plan.shims_mm.values() if thick > 0)
    return shims, plates


def parts_in_words(shims: Mapping[float, int], plates: int, *, short: bool = False) -> str:
    """Parts as `parts_of` says them."""
    many = sum(shims.values())
    said = [count(many, "shim")] if short and many else []
    said += (
        [] if short else [f"{count(number, 'shim')} of {mm(thick, 2)} mm" for thick, number in sorted(shims.items())]
    )
    return joined(said + ([count(plates, "plate")] if plates else []))


def for_two_people(machine: Assessment) -> bool:
    """Whether a machine is heavy enough that two tip it: by the side of its bed."""
    bed = machine.model.bed
    large = bed is not None and max(bed[2] - bed[0], bed[3] - bed[1]) >= _TWO_PEOPLE_FROM_MM
    return large and bool({"realign", "inspect-drive"} & set(machine.advice))


def _job_hours(machine: Assessment, own: Mapping[Advice | None, float]) -> float:
    kinds = work_of(machine)
    if not kinds:
        return 0.0
    practice = sum(ADVICE[kind].bench_hours or 0.0 for kind in kinds)
    # To the quarter, so that the hours of jobs, of kinds and in all add up as they are printed.
    return round(own.get(kinds[0], own.get(None, practice)) * 4) / 4 or 0.25


def _medians(tickets: Sequence[Ticket], at: datetime) -> dict[Advice | None, float]:
    """Median hours of a job by the kind it was, and of all (None), each where enough were timed."""
    spans: dict[Advice | None, list[float]] = {None: []}
    for ticket in tickets:
        start, end = ticket.work_from, ticket.work_until
        if start is None or end is None or end > at or ticket.cause == "host":
            continue
        hours = (end - start).total_seconds() / 3600
        if 0 < hours <= _LONGEST_HOURS:
            kind = next((one for one in ADVICE if one == ticket.method), None)
            spans[None].append(hours)
            if kind is not None:
                spans.setdefault(kind, []).append(hours)
    return {kind: median(found) for kind, found in spans.items() if len(found) >= FEWEST_TIMED}
