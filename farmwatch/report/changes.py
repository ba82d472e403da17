"""What moved since the week before, and which machines do so again and again. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from farmwatch.follow import Step
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Condition
from farmwatch.report.follow_up import FollowUp, FollowUpOutcome
from farmwatch.text import count, day_of, joined, signed, spaced

__all__ = ["Change", "changed_machines", "merge_changes", "step_words", "why_repeated"]

# Two probings of one bed differ by less than so many standard deviations of a range, and by less than this where the
# machine's is not known: common practice, no source.
_SD_APART, _WORTH_SAYING_MM, _LEAST_MM = 3.0, 0.05, 0.02
_CHANGES_WITHIN_DAYS = 182
_MANY_CHANGES = 3
_SAID: dict[Condition, str] = {
    "ideal": "ideal", "usable": "usable", "past-limit": "past the limit", "unknown": "not known",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One machine between two weeks: where it stood, where it stands, and what became of it."""

    machine: str
    condition: Condition
    before_mm: float | None
    now_mm: float | None
    outcome: str
    """In a word or three: new, held, failed its check, not done; empty where nothing was asked of it."""
    what: tuple[str, ...]


_OUTCOME: dict[FollowUpOutcome, str] = {
    "came back": "failed its check", "not done": "not done", "done": "awaiting its check", "proven": "held",
    "right again": "right by itself", "accepted": "accepted", "nothing found": "nothing found",
    "withdrawn": "withdrawn", "taken out": "out of service",
}  # fmt: skip


def merge_changes(
    changed: Sequence[Change], follow_ups: Sequence[FollowUp], now: FleetAssessment
) -> tuple[Change, ...]:
    """Last week's list and what moved by itself, a machine each: failed first, then new, then as the table has it."""
    listed = {row.machine: row for row in follow_ups}
    moved = {row.machine: row for row in changed}
    conditions = {machine.machine: machine.condition for machine in now.machines}
    first, *others = _OUTCOME.values()
    order = [first, "new", *others, ""]
    found = []
    for name in dict.fromkeys([*listed, *moved]):
        row, own = listed.get(name) or moved[name], listed.get(name)
        condition = conditions.get(name, "unknown")
        is_new = own is None and condition == "past-limit"
        outcome = _OUTCOME[own.outcome] if own is not None else "new" if is_new else ""
        what = (*((own.words,) if own is not None else ()), *(moved[name].what if name in moved else ()))
        change = Change(machine=name, condition=condition, before_mm=row.before_mm, now_mm=row.now_mm,
                        outcome=outcome, what=what)  # fmt: skip
        found.append((order.index(outcome), -_change(row.before_mm, row.now_mm), change))
    return tuple(change for *_, change in sorted(found, key=lambda item: item[:2]))


def changed_machines(now: FleetAssessment, before: FleetAssessment, zone: tzinfo) -> tuple[Change, ...]:
    """Steps of the week, changed conditions, moved ranges, machines that came or went; the largest change first."""
    earlier = {machine.machine: machine for machine in before.machines}
    found = []
    for machine in now.machines:
        was = earlier.get(machine.machine)
        what = _what_happened(machine, was, before.at, now.at, zone)
        if what:
            before_mm = was.condition_range_mm if was is not None else None
            found.append(Change(machine=machine.machine, condition=machine.condition, before_mm=before_mm,
                                now_mm=machine.condition_range_mm, outcome="", what=tuple(what)))  # fmt: skip
    return tuple(sorted(found, key=lambda row: -_change(row.before_mm, row.now_mm)))


def why_repeated(machine: Assessment, at: datetime, zone: tzinfo) -> tuple[str, ...]:
    """Why a machine is one that slips again, with the days of every jump; empty where it is none.

    Two tooth jumps at one screw within 90 days, three sudden changes in half a year, or a drive to inspect.
    """
    why = _why_repeated(machine, at, zone)
    if not why and "inspect-drive" in machine.advice:
        why = ["failed its check after a repair"]
    return tuple(why)


def step_words(step: Step, zone: tzinfo, *, suspected: bool = False) -> str:
    """A step as a sentence: front right: jumped down 1 tooth (−0.401 mm), Thu 19 Nov."""
    where = f"{spaced(step.screw)}: " if step.screw else ""
    if step.screw and step.also:
        # A bed on two or four screws shows a line or a plane: the screw across, the other way, looks the same.
        where = f"{spaced(step.screw)} (or {joined([spaced(name) for name, _ in step.also])} the other way): "
    size = f"{signed(step.mm)} mm"
    if step.name == "tooth-jump" and step.teeth:
        what = f"jumped {'up' if step.teeth > 0 else 'down'} {count(abs(step.teeth), 'tooth', 'teeth')} ({size})"
    elif step.name == "repair":
        what = f"worked on ({size})"
    elif step.name == "plate-change":
        what = f"another plate or another form ({size})"
    else:
        what = f"shifted ({size})"
    when = f"{where}{what}, {day_of(step.at, zone, year=False)}"
    return f"{when}; suspected, the next mesh decides" if suspected else when


def _what_happened(
    machine: Assessment, was: Assessment | None, since: datetime, at: datetime, zone: tzinfo
) -> list[str]:
    what = [step_words(step, zone) for step in machine.steps if since <= step.at <= at]
    suspected = machine.suspected_step
    if suspected is not None and suspected.at >= since:
        what.append(step_words(suspected, zone, suspected=True))
    if was is None or was.reading is None:
        return [*what, "first mesh"] if machine.reading is not None else what
    if was.in_service != machine.in_service:
        what.append("back in service" if machine.in_service else "taken out of service")
    if was.condition != machine.condition:
        what.append(f"was {_SAID[was.condition]}, now {_SAID[machine.condition]}")
    judged = machine.reading is not None and machine.reading.judged and was.reading.judged
    sd = machine.range_sd_mm
    # A difference of two ranges has the variance of both.
    worth = _WORTH_SAYING_MM if sd is None else max(_LEAST_MM, _SD_APART * math.sqrt(2.0) * sd)
    if not what and judged and _change(was.condition_range_mm, machine.condition_range_mm) >= worth:
        what.append("range moved without a step that can be named")
    return what


def _change(before_mm: float | None, now_mm: float | None) -> float:
    return abs(now_mm - before_mm) if before_mm is not None and now_mm is not None else 0.0


def _why_repeated(machine: Assessment, at: datetime, zone: tzinfo) -> list[str]:
    jumps: dict[str, list[Step]] = {}
    for step in machine.repeated_jumps:
        jumps.setdefault(step.screw or "", []).append(step)
    within = timedelta(days=_CHANGES_WITHIN_DAYS)
    sudden = [step for step in machine.steps if step.name in ("tooth-jump", "shift") and at - step.at <= within]
    why = [
        f"{spaced(screw)} jumped {len(steps)} times in 90 days: "
        + joined([day_of(step.at, zone, year=False) for step in steps])
        for screw, steps in jumps.items()
    ]
    if not why and len(sudden) >= _MANY_CHANGES:
        days = joined([day_of(step.at, zone, year=False) for step in sudden])
        why.append(f"{len(sudden)} sudden changes in {_CHANGES_WITHIN_DAYS // 7} weeks: {days}")
    return why
