"""The machines that need hands, worst first, and those that are as good as teeth allow. Pure."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from types import MappingProxyType

from farmwatch.judge import Assessment
from farmwatch.judge.assessment import ReadingFacts
from farmwatch.judge.words import advice_phrase, amount_phrase, cause_phrase, plan_sentences, shim_sentences
from farmwatch.mesh import Mesh
from farmwatch.model import Model
from farmwatch.report.charts import RangeHistory
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.text import ago, clock, count, day_of, mm, signed, spaced

__all__ = [
    "AtToothFloor",
    "WorkSheet",
    "at_tooth_floor",
    "machines_needing_work",
    "range_history",
    "sheet",
    "since_words",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkSheet:
    """One machine that needs hands, all in words and numbers; the drawings are made from what stands last."""

    rank: int
    machine: str
    aisle: str
    model_name: str
    range_mm: float
    range_sd_mm: float | None
    confirmed: bool
    cause: str
    advice: str
    advice_in_short: str
    """Without what stands behind a colon: for the first page."""
    since: str
    ticket: TicketRef | None
    mesh: str
    """When it was probed, how fine and how warm."""
    judged: str
    """Which mesh was judged, where it is not the newest; else empty."""
    made_of: str
    """Tilt and form in words."""
    screws: tuple[tuple[str, str], ...]
    """Screw and its height relative to the reference."""
    moves: tuple[str, ...]
    shims: tuple[str, ...]
    moves_wait: bool
    """Another mesh comes first: the moves hold only if it agrees."""
    stages: tuple[tuple[str, float], ...]
    reach: str
    sure: tuple[str, ...]
    warnings: tuple[str, ...]
    turns: dict[str, str]
    spikes: tuple[tuple[float, float], ...]
    heights: Mesh | None
    model: Model
    history: RangeHistory | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AtToothFloor:
    """A machine that no whole tooth betters: to be shimmed or accepted."""

    machine: str
    aisle: str
    range_mm: float | None
    tooth_floor_mm: float | None
    shims: tuple[str, ...]
    after_shims_mm: float | None
    since: str
    ticket: TicketRef | None


def machines_needing_work(machines: Sequence[Assessment], accepted: Container[str] = ()) -> tuple[Assessment, ...]:
    """In service, past the usable limit, not at its tooth floor and not accepted as it is; the largest range first."""
    needing = [m for m in machines if _is_past(m, accepted) and not m.at_tooth_floor]
    return tuple(sorted(needing, key=lambda m: (-(m.condition_range_mm or 0.0), m.machine)))


def at_tooth_floor(
    machines: Sequence[Assessment],
    at: datetime,
    zone: tzinfo,
    accepted: Container[str] = (),
    tickets: Mapping[str, TicketRef] = MappingProxyType({}),
) -> tuple[AtToothFloor, ...]:
    """Machines whose screws are as good as whole teeth allow and that are not accepted, the largest range first."""
    floor = [m for m in machines if _is_past(m, accepted) and m.at_tooth_floor]
    return tuple(
        AtToothFloor(
            machine=m.machine,
            aisle=m.aisle,
            range_mm=m.condition_range_mm,
            tooth_floor_mm=m.tooth_floor_mm,
            shims=shim_sentences(m.plan) if m.plan is not None else (),
            after_shims_mm=m.plan.range_after_shims_mm if m.plan is not None else None,
            since=since_words(m.since, at, zone),
            ticket=tickets.get(m.machine),
        )
        for m in sorted(floor, key=lambda m: (-(m.condition_range_mm or 0.0), m.machine))
    )


def _is_past(machine: Assessment, accepted: Container[str]) -> bool:
    return machine.in_service and machine.condition == "past-limit" and machine.machine not in accepted


def sheet(machine: Assessment, rank: int, at: datetime, zone: tzinfo, ticket: TicketRef | None = None) -> WorkSheet:
    """Everything a machine's sheet says; `ticket` is the open one, if there is one."""
    stages, turns, plan = _stages(machine), _turn_labels(machine), machine.plan
    return WorkSheet(
        rank=rank,
        machine=machine.machine,
        aisle=machine.aisle,
        model_name=machine.model.name,
        range_mm=machine.condition_range_mm or 0.0,
        range_sd_mm=machine.range_sd_mm,
        confirmed=machine.confirmed,
        cause=cause_phrase(machine),
        advice=advice_phrase(machine.advice),
        advice_in_short=advice_phrase(machine.advice, short=True),
        since=since_words(machine.since, at, zone),
        ticket=ticket,
        mesh=_mesh_words(machine.reading, at, zone),
        judged=_judged_words(machine, zone),
        made_of=_made_of(machine),
        screws=_screws(machine),
        moves=plan_sentences(plan, machine.model, learned=machine.step_learned) if plan is not None and turns else (),
        shims=shim_sentences(plan) if plan is not None else (),
        moves_wait=machine.advice[:1] == ("re-mesh",),
        stages=stages,
        reach=_reach(stages),
        sure=_sure(machine),
        warnings=machine.warnings,
        turns=turns,
        spikes=tuple((spike.x_mm, spike.y_mm) for spike in machine.spikes),
        heights=machine.mesh,
        model=machine.model,
        history=range_history(machine, at),
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


def since_words(since: datetime | None, at: datetime, zone: tzinfo) -> str:
    """Thu 19 Nov 2026 (4 days ago), or that it is not known."""
    return "not known" if since is None else f"{day_of(since, zone)} ({ago(since, at)})"


def _stages(machine: Assessment) -> tuple[tuple[str, float], ...]:
    plan = machine.plan
    if plan is None or machine.condition_range_mm is None:
        return ()
    stages = [("now", machine.condition_range_mm)]
    if _turn_labels(machine):
        stages.append(("after screws", plan.range_after_mm))
    if any(thick > 0.0 for thick in plan.shims_mm.values()):
        stages.append(("after shims", plan.range_after_shims_mm))
    return tuple(stages) if len(stages) > 1 else ()


def _turn_labels(machine: Assessment) -> dict[str, str]:
    """Per screw to be turned, for the contour sheet: up 2 teeth, or up 0.35 mm where the drive is free."""
    plan = machine.plan
    if plan is None:
        return {}
    amounts = {name: amount_phrase(plan.teeth.get(name), rise) for name, rise in plan.turn_mm.items()}
    return {name: amount for name, amount in amounts.items() if amount}


def _reach(stages: tuple[tuple[str, float], ...]) -> str:
    if not stages:
        return ""
    words = {"after screws": "screws", "after shims": "shims"}
    return ", ".join(f"{words[name]}: {mm(value)} mm" for name, value in stages[1:])


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
    of = clock(judged.taken_at, zone)
    return f"The newest mesh is shown, not judged ({why}). Condition and advice are those of {of}."


def _made_of(machine: Assessment) -> str:
    parts = []
    if machine.tilt is not None:
        side = f", {machine.tilt.high_side} side high" if machine.tilt.high_side else ""
        parts.append(
            f"tilt {signed(machine.tilt.x_mm_per_m, 2)} mm/m to the right, "
            f"{signed(machine.tilt.y_mm_per_m, 2)} mm/m to the rear{side}"
        )
    if machine.form is not None:
        parts.append(f"form {mm(machine.form.flatness_mz_mm)} mm ({spaced(machine.form.shape)})")
    if machine.spikes:
        parts.append(count(len(machine.spikes), "spike"))
    return "; ".join(parts)


def _screws(machine: Assessment) -> tuple[tuple[str, str], ...]:
    return tuple(
        (spaced(s.name), "0, reference" if s.reference else f"{signed(s.height_mm)} ± {mm(s.sd_mm)}")
        for s in machine.screws
    )
