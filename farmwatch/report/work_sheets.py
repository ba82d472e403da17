"""One sheet for each machine that needs work, to be pinned to it, and a slip where work only waits for its check. Pure.

A machine whose work is done gets no moves: whoever turned a tooth on the mesh from before the work would turn it twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

import numpy as np

from farmwatch.judge import Assessment
from farmwatch.judge.assessment import ReadingFacts
from farmwatch.judge.tables import ADVICE
from farmwatch.judge.words import advice_phrase, amount_phrase, cause_phrase, plan_sentences, shim_sentences
from farmwatch.measure import influence
from farmwatch.mesh import Mesh
from farmwatch.report.charts import RangeHistory
from farmwatch.report.groups import is_checked_since
from farmwatch.report.labour import for_two_people, parts_of
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.text import ago, clock, count, day_of, mm, signed, spaced
from farmwatch.tickets import Ticket

__all__ = ["SHEET_CAUTIONS", "CheckSlip", "SheetStep", "WorkSheet", "check_slip", "range_history", "work_sheet"]

SHEET_CAUTIONS: tuple[str, ...] = (
    (
        "Bed and nozzle cold. Bed clear of the nozzle, unless the work needs it homed. Switch off, pull the plug, then "
        "reach in."
    ),
    "With motors or belt released the bed can drop: block it. Fingers out of the belt path.",
    "Two people to tip a heavy machine, on a padded, clear floor. Glass and loose parts out first, cables free.",
    (
        "Never turn the reference screw. Mark the screws first. Turn smoothly, guard the screw from tool teeth, grip "
        "only where the nut doesn't travel."
    ),
    "Don't overtighten screws in plastic or heat-set inserts. Restore and check the belt's tension before power.",
    (
        "After any turn or shim: home, and set the nozzle height anew before heating or printing (one tooth can drive "
        "the bed 0.4 mm into the nozzle). First mesh with a hand on the power switch."
    ),
    "Shims are metal and heat-proof, and lie flat.",
    (
        "farmwatch only reads: it sends no motion or heat, and never replaces looking. The maker's manual, local rules "
        "and licensed electrical practice come first."
    ),
)
"""The cautions in short, as they stand on every sheet before its moves; common practice of the trade, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStep:
    """One thing to do, with a box; `blank` is what is written down beside it: turned, fitted, or nothing."""

    words: str
    blank: str = ""


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

    @property
    def machine(self) -> str:
        """Its name."""
        return self.of.machine

    @property
    def range_mm(self) -> float:
        """The range that was measured."""
        return self.of.condition_range_mm or 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSlip:
    """A machine whose work is done and not yet shown to hold: to be probed, not turned."""

    machine: str
    aisle: str
    ticket: int
    done: str
    """The day on which the work was done."""
    range_mm: float | None
    checked: bool
    """A mesh later than the work has been read; another one decides."""


def work_sheet(
    machine: Assessment, rank: int, at: datetime, zone: tzinfo, ticket: TicketRef | None, hours: float, usable_mm: float
) -> WorkSheet:
    """Everything a machine's sheet says; `ticket` is the open one, if there is one."""
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
        since="not known" if machine.since is None else f"{day_of(machine.since, zone)} ({ago(machine.since, at)})",
        mesh=_mesh_words(machine.reading, at, zone),
        judged=_judged_words(machine, zone),
        made_of=_made_of(machine),
        screws=_screws(machine),
        steps=_steps(machine, turns),
        steps_wait=machine.advice[:1] == ("re-mesh",),
        turns=turns,
        expect_mm=expect,
        at_most_mm=usable_mm if expect is None else max(usable_mm, expect + 2 * (machine.range_sd_mm or 0.0)),
        sure=_sure(machine),
        after=_after(machine) if turns and plan is not None else None,
        history=range_history(machine, at),
    )


def check_slip(machine: Assessment, ticket: Ticket, zone: tzinfo) -> CheckSlip:
    """The slip of a machine whose ticket waits for its check."""
    return CheckSlip(
        machine=machine.machine,
        aisle=machine.aisle,
        ticket=ticket.number,
        done="" if ticket.work_until is None else day_of(ticket.work_until, zone, year=False),
        range_mm=machine.condition_range_mm,
        checked=is_checked_since(machine, ticket),
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
    )


def _steps(machine: Assessment, turns: Mapping[str, str]) -> tuple[SheetStep, ...]:
    """What is done, in order: the work of each advice, the moves, the shims."""
    steps: list[SheetStep] = []
    plan, unit = machine.plan, "mm" if machine.model.drive == "free" else "teeth"
    for advice in machine.advice:
        steps += [SheetStep(words=words) for words in ADVICE[advice].steps]
        if advice == "realign" and plan is not None and turns:
            steps += _moves(machine, unit)
        if advice == "shim" and plan is not None:
            steps += [SheetStep(words=words, blank="fitted ____ mm") for words in shim_sentences(plan)]
    if plan is not None and turns and "realign" not in machine.advice:
        steps += _moves(machine, unit)
    return tuple(steps)


def _moves(machine: Assessment, unit: str) -> list[SheetStep]:
    """The moves of the plan; before them the sentence that asks for a first tooth alone, with a probing after it."""
    assert machine.plan is not None
    said = plan_sentences(machine.plan, machine.model, learned=machine.step_learned)
    screws = {spaced(name) for name in machine.plan.turn_mm}
    fixed = {spaced(one.name) for one in machine.model.screws if one.reference}
    steps = []
    first = False
    for words in said:
        name, _, amount = words.partition(":")
        if name in screws and _is_turned(amount):
            # The first tooth counts: whoever reads on must not turn it a second time.
            steps.append(SheetStep(words=f"{words}, in all" if first else words, blank=f"turned ____ {unit}"))
        elif name not in screws | fixed:
            first = True
            steps.append(SheetStep(words=words, blank=f"turned ____ {unit}"))
            steps.append(SheetStep(words="Probe hot.", blank="range ____ mm"))
    return steps


def _is_turned(amount: str) -> bool:
    """Whether the words after a screw's name ask for a turn."""
    return amount.strip().startswith(("up", "down"))


def _expected(machine: Assessment) -> float | None:
    plan = machine.plan
    if plan is None:
        return None
    return plan.range_after_shims_mm if "shim" in machine.advice else plan.range_after_mm


def _after(machine: Assessment) -> Mesh | None:
    """The bed with the plan's turns made, the reference screw where it was."""
    mesh, plan, model = machine.mesh, machine.plan, machine.model
    # How a bed that its screws bend will lie then, no plane tells.
    if mesh is None or plan is None or machine.bent_by_screw:
        return None
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
    if machine.reasons:
        return machine.reasons
    if machine.confirmed:
        return ("Confirmed by more than one probing.",)
    return ("Not confirmed yet. Mesh again hot: if the range comes back under the limit, this was a single bad mesh.",)


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
    parts = []
    if machine.tilt is not None:
        side = f", {machine.tilt.high_side} side high" if machine.tilt.high_side else ""
        parts.append(
            f"tilt {signed(machine.tilt.x_mm_per_m, 2)} mm/m to the right, "
            f"{signed(machine.tilt.y_mm_per_m, 2)} mm/m to the rear{side}"
        )
    if machine.form is not None:
        parts.append(f"without it flat to {mm(machine.form.flatness_mz_mm)} mm ({spaced(machine.form.shape)})")
    if machine.spikes:
        parts.append(count(len(machine.spikes), "false reading"))
    return "; ".join(parts)


def _screws(machine: Assessment) -> tuple[tuple[str, str], ...]:
    return tuple(
        (spaced(s.name), "0, reference" if s.reference else f"{signed(s.height_mm)} ± {mm(s.sd_mm)}")
        for s in machine.screws
    )
