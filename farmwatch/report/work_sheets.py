"""One sheet for each machine that needs work, to be pinned to it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from urllib.parse import quote

import numpy as np

from farmwatch.judge import Assessment
from farmwatch.judge.assessment import ReadingFacts
from farmwatch.judge.tables import ADVICE
from farmwatch.judge.words import advice_phrase, amount_phrase, cause_phrase
from farmwatch.measure import influence
from farmwatch.mesh import Mesh
from farmwatch.report.beds import without
from farmwatch.report.contour import screw_numbers
from farmwatch.report.history import RangeHistory
from farmwatch.report.labour import for_two_people, parts_of
from farmwatch.report.moves import SheetStep, sheet_steps
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.text import ago, clock, count, day_of, mm, signed, spaced

__all__ = ["WorkSheet", "range_history", "work_sheet"]

# Reasons on a sheet: more than three lines nobody reads at the machine.
_REASONS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkSheet:
    """One machine that needs work, in words and numbers; its drawings are made from `of`, `after` and `history`."""

    rank: int
    of: Assessment
    ticket: TicketRef | None
    hours: float
    people: int
    tools: str
    parts: str
    cause: str
    advice: str
    since: str
    mesh: str
    """When it was probed, how fine and how warm."""
    judged: str
    """Which mesh was judged, where it is not the newest; else empty."""
    made_of: str
    """Tilt and shape in words."""
    screws: tuple[tuple[str, str], ...]
    """Screw and its height relative to the reference."""
    steps: tuple[SheetStep, ...]
    steps_wait: bool
    """Another mesh comes first: the moves hold only if it agrees."""
    turns: dict[str, str]
    """Words for each screw to be turned, for the bed plan."""
    expect_mm: float | None
    """Range that the work is expected to leave; None where nothing says it."""
    at_most_mm: float
    """At or under this the reading after the work speaks for it."""
    sure: tuple[str, ...]
    after: Mesh | None
    """The bed as the moves leave it; None where nothing is turned."""
    history: RangeHistory | None
    address: str
    """Where the machine's page is; empty where the pages have no address."""

    @property
    def machine(self) -> str:
        """Its name."""
        return self.of.machine

    @property
    def range_mm(self) -> float:
        """The range that was measured."""
        return self.of.condition_range_mm or 0.0


def work_sheet(
    machine: Assessment,
    rank: int,
    at: datetime,
    zone: tzinfo,
    ticket: TicketRef | None,
    hours: float,
    usable_mm: float,
    pages_url: str = "",
) -> WorkSheet:
    """Everything a machine's sheet says; `ticket` is the open one, if there is one, `pages_url` the pages' address."""
    turns, plan = _turn_labels(machine), machine.plan
    expect = _expected(machine)
    return WorkSheet(
        rank=rank,
        of=machine,
        ticket=ticket,
        hours=hours,
        people=2 if for_two_people(machine) else 1,
        tools=next((ADVICE[one].tools for one in machine.advice if ADVICE[one].tools), ""),
        parts=parts_of([machine]),
        cause=cause_phrase(machine),
        advice=advice_phrase(machine.advice),
        since=_since(machine, at, zone),
        mesh=_mesh_words(machine.reading, at, zone),
        judged=_judged_words(machine, zone),
        made_of=_made_of(machine),
        screws=_screws(machine),
        steps=sheet_steps(machine),
        steps_wait=machine.advice[:1] == ("re-mesh",),
        turns=turns,
        expect_mm=expect,
        at_most_mm=usable_mm if expect is None else max(usable_mm, expect + 2 * (machine.range_sd_mm or 0.0)),
        sure=_sure(machine),
        after=_after(machine) if turns and plan is not None else None,
        history=range_history(machine, at),
        address=f"{pages_url.rstrip('/')}/machines/{quote(machine.machine)}" if pages_url else "",
    )


def range_history(machine: Assessment, at: datetime) -> RangeHistory | None:
    """The machine's history line, or None where there is nothing to draw."""
    if machine.trace is None or not machine.trace.at:
        return None
    return RangeHistory(
        machine=machine.machine,
        at=at,
        trace=machine.trace,
        steps=machine.steps,
        suspected=machine.suspected_step,
        forecast=machine.forecast,
        sd_mm=machine.range_sd_mm or 0.01,
    )


def _expected(machine: Assessment) -> float | None:
    plan = machine.plan
    if plan is None:
        return None
    return plan.range_after_shims_mm if "shim" in machine.advice else plan.range_after_mm


def _after(machine: Assessment) -> Mesh | None:
    """The bed with the plan's turns made, the reference screw where it was, false readings left out."""
    plan, model = machine.plan, machine.model
    # How a bed that its screws bend will lie then, no plane tells.
    if machine.mesh is None or plan is None or machine.bent_by_screw:
        return None
    mesh = without(machine.mesh, [(spike.x_mm, spike.y_mm) for spike in machine.spikes])
    xx, yy = np.meshgrid(mesh.x, mesh.y)
    shares = influence([(s.x_mm, s.y_mm) for s in model.screws], model.reference_index, xx.ravel(), yy.ravel())
    turned = np.array([plan.turn_mm.get(screw.name, 0.0) for screw in model.screws])
    return replace(mesh, z=mesh.z + (turned @ shares).reshape(mesh.z.shape))


def _turn_labels(machine: Assessment) -> dict[str, str]:
    """Per screw to be turned, for the bed plan: up 2 teeth, or up 0.35 mm where the drive is free."""
    plan = machine.plan
    if plan is None:
        return {}
    amounts = {name: amount_phrase(plan.teeth.get(name), rise) for name, rise in plan.turn_mm.items()}
    return {name: amount for name, amount in amounts.items() if amount}


def _sure(machine: Assessment) -> tuple[str, ...]:
    """Why we think so, in three sentences: the first two reasons, and the last, which says what would refute them."""
    reasons = machine.reasons
    if reasons:
        return reasons if len(reasons) <= _REASONS else (*reasons[: _REASONS - 1], reasons[-1])
    if machine.confirmed:
        return ("Confirmed by more than one probing.",)
    return ("Not confirmed yet. Mesh again hot: if the range comes back under the limit, this was a single bad mesh.",)


def _since(machine: Assessment, at: datetime, zone: tzinfo) -> str:
    if machine.since is None:
        return "since when is not known"
    if machine.since_records_began:
        return f"already so when records began, {day_of(machine.since, zone)}"
    return f"since {day_of(machine.since, zone)} ({ago(machine.since, at)})"


def _mesh_words(reading: ReadingFacts | None, at: datetime, zone: tzinfo) -> str:
    if reading is None:
        return "none"
    when = f"{clock(reading.taken_at, zone)} ({ago(reading.taken_at, at)})"
    if reading.time_from == "unknown":
        when = f"of unknown age, first seen {when}"
    warm = "" if reading.bed_celsius is None else f", bed {reading.bed_celsius:.0f}\N{NO-BREAK SPACE}°C"
    plate = "" if reading.plate is None else f", plate {reading.plate}"
    return f"{when}; {reading.columns} × {reading.rows} points{warm}{plate}"


def _judged_words(machine: Assessment, zone: tzinfo) -> str:
    reading, judged = machine.reading, machine.judged_reading
    if reading is None or judged is None:
        return ""
    why = reading.why_not_judged or "it cannot be judged"
    return f"Newest mesh ignored: {why}. Verdict from the mesh of {clock(judged.taken_at, zone)}."


def _made_of(machine: Assessment) -> str:
    """Tilt and shape as one sees them at the machine."""
    parts = []
    off = [s for s in machine.screws if not s.reference and abs(s.height_mm) >= 2 * s.sd_mm]
    if off:
        most = max(off, key=lambda s: abs(s.height_mm))
        fixed = next((spaced(s.name) for s in machine.screws if s.reference), "reference")
        way = "above" if most.height_mm > 0 else "below"
        parts.append(f"{spaced(most.name)} stands {mm(abs(most.height_mm), 2)} mm {way} the {fixed} screw")
    if machine.form is not None:
        parts.append(f"without the tilt flat to {mm(machine.form.flatness_mz_mm, 2)} mm ({spaced(machine.form.shape)})")
    if machine.spikes:
        parts.append(f"{count(len(machine.spikes), 'false reading')} left out of the plan")
    return "; ".join(parts)


def _screws(machine: Assessment) -> tuple[tuple[str, str], ...]:
    numbers = screw_numbers(machine.model)
    return tuple(
        (spaced(s.name), "0, reference")
        if s.reference
        else (f"{numbers[s.name]} {spaced(s.name)}", f"{signed(s.height_mm)} ± {mm(s.sd_mm)}")
        for s in machine.screws
    )
