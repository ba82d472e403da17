"""An invented farm as fleet assessments, made by hand: every case that the report must read well in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from farmwatch.follow import Drift, Forecast, Step
from farmwatch.judge import Assessment, FleetAssessment, shim_plan, tooth_plan
from farmwatch.judge.assessment import FormFacts, Plan, ReadingFacts, ScrewHeight, Spike, TiltFacts, Trace
from farmwatch.measure import influence, least_squares_plane, minimum_zone_plane, screw_heights
from farmwatch.mesh import Mesh
from farmwatch.model import Limits
from farmwatch.report.ticket_facts import TicketFacts, find_ticket_facts
from farmwatch.tickets import Ticket, TicketEvent, phases
from tests.farm import MODEL

LIMITS = Limits()
WEEK_END = datetime(2026, 11, 23, tzinfo=UTC)
WEEK_START = WEEK_END - timedelta(days=7)
SCREWS = MODEL.screws_xy


def bed(
    up: tuple[float, float] = (0.0, 0.0), bow: float = 0.02, spike: float = 0.0, seed: int = 1, side: int = 7
) -> Mesh:
    """A mesh with its front screws off by `up`, bowed by `bow`, with noise and perhaps one spike."""
    x = y = np.linspace(10.0, 210.0, side)
    xx, yy = np.meshgrid(x, y)
    lift = influence(SCREWS, MODEL.reference_index, xx.ravel(), yy.ravel())
    z = (lift[0] * up[0] + lift[1] * up[1]).reshape(side, side)
    z = z + bow * (((xx - 110) / 100) ** 2 + 0.6 * ((yy - 110) / 100) ** 2)
    z = z + np.random.default_rng(seed).normal(0.0, 0.005, z.shape)
    z[side // 2, side // 2 - 1] += spike
    return Mesh.accept(x, y, z.round(4))


def machine(
    name: str, mesh: Mesh | None = None, *, at: datetime = WEEK_END, days_old: float = 0.4, **facts: Any
) -> Assessment:
    """An assessment whose numbers are those of its mesh; `facts` replace what the case wants otherwise."""
    base: dict[str, Any] = {"machine": name, "model": MODEL, "aisle": name.split("-")[0], "in_service": True}
    if mesh is None:
        return Assessment(**{**base, **facts})
    taken = at - timedelta(days=days_old)
    x, y, z = mesh.points()
    plane, zone = least_squares_plane(x, y, z), minimum_zone_plane(x, y, z)
    heights = screw_heights(plane, SCREWS, MODEL.reference_index)
    lift = influence(SCREWS, MODEL.reference_index, x, y)
    teeth = tooth_plan(z, lift, 0.4, MODEL.reference_index)
    after = z + teeth.teeth @ lift * 0.4
    shims = shim_plan(after, lift, MODEL.shim_stock_mm)
    past = mesh.range_mm > LIMITS.usable_mm
    names = [s.name for s in MODEL.screws]
    moves = {n: int(t) for n, t in zip(names, teeth.teeth, strict=True) if n != "rear"}
    plan = Plan(
        teeth=moves,
        range_after_mm=float(teeth.range_mm),
        shims_mm=dict(zip(names, map(float, shims.shims_mm), strict=True)),
        range_after_shims_mm=shims.range_mm,
        turn_mm={n: 0.4 * t for n, t in moves.items()},
    )
    residual = np.asarray(plane.residuals).ravel()
    mine: dict[str, Any] = {
        **base,
        "host_answered_at": at - timedelta(hours=0.5),
        "last_outcome": "same",
        "reading": ReadingFacts(
            taken_at=taken,
            time_from="host",
            rows=mesh.rows,
            columns=mesh.columns,
            bed_celsius=60.0,
            plate="A",
            judged=True,
        ),
        "mesh": mesh,
        "range_mm": mesh.range_mm,
        "range_sd_mm": 0.012,
        "tilt": TiltFacts(
            x_mm_per_m=1e3 * float(plane.bx), y_mm_per_m=1e3 * float(plane.by), high_side="left" if past else None
        ),
        "form": FormFacts(
            flatness_ls_mm=float(np.ptp(residual)),
            flatness_mz_mm=float(np.ravel(zone.width)[0]),
            rms_mm=float(np.sqrt(np.mean(residual**2))),
            shape="bowl",
        ),
        "screws": tuple(
            ScrewHeight(name=n, height_mm=float(h), sd_mm=0.0 if n == "rear" else 0.004, reference=n == "rear")
            for n, h in zip(names, np.ravel(heights.relative), strict=True)
        ),
        "tooth_floor_mm": float(teeth.range_mm),
        "condition": "past-limit" if past else "usable" if mesh.range_mm > LIMITS.ideal_mm else "ideal",
        "confirmed": True,
        "since": at - timedelta(days=20),
        "cause": "screws" if past else "none",
        "advice": (("realign",) if teeth.range_mm <= LIMITS.usable_mm else ("realign", "shim"))
        if past
        else ("watch",)
        if mesh.range_mm > LIMITS.ideal_mm
        else ("leave",),
        "plan": plan if past else None,
        "trace": trace(mesh.range_mm, at, seed=len(name) + sum(map(ord, name))),
    }
    return Assessment(**{**mine, **facts})


def trace(last: float, at: datetime, *, jump_days_ago: float | None = None, low: float = 0.09, seed: int = 1) -> Trace:
    """Half a year of ranges that end at `last`: flat, or with a jump some days ago."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0.3, 180.0, 90))[::-1]
    level = np.full(days.size, last) if jump_days_ago is None else np.where(days > jump_days_ago, low, last)
    values = np.abs(level + rng.normal(0.0, 0.008, days.size))
    values[-1] = last
    epochs = at.timestamp() - days * 86_400
    return Trace(at=tuple(map(float, epochs)), range_mm=tuple(map(float, values)), judged=(True,) * days.size)


def rising(last: float, at: datetime, per_week: float, seed: int = 1) -> Trace:
    """Half a year of ranges that rise slowly to `last`."""
    line = trace(last, at, seed=seed)
    weeks = (at.timestamp() - np.array(line.at)) / (7 * 86_400)
    values = np.abs(np.array(line.range_mm) - per_week * weeks) + 0.0
    return replace(line, range_mm=tuple(map(float, values)))


def due(
    name: str, mesh: Mesh, days: tuple[float | None, float | None, float | None], at: datetime = WEEK_END
) -> Assessment:
    """A machine that drifts towards the limit."""
    chance = 0.97 if days[2] is not None else 0.6 if days[1] is not None else 0.2
    soon = days[1] is not None and days[1] <= 28
    return machine(
        name,
        mesh,
        at=at,
        advice=("plan-ahead",) if soon else ("watch",),
        trace=rising(mesh.range_mm, at, 0.004, seed=len(name) + ord(name[-1])),
        drift=Drift(
            since=at - timedelta(days=170),
            readings=88,
            mm_per_week={"front-left": -0.011, "front-right": 0.001},
            significant=True,
        ),
        forecast=Forecast(chance=chance, p10=days[0], p50=days[1], p90=days[2]),
    )


def jump(at: datetime, days_ago: float, screw: str = "front-right", teeth: int = -1) -> Step:
    """A tooth jump."""
    return Step(at=at - timedelta(days=days_ago), name="tooth-jump", screw=screw, mm=0.4 * teeth + 0.003, teeth=teeth)


def invented_fleet(at: datetime = WEEK_END) -> FleetAssessment:
    """Thirty machines in three aisles, all cases of the design; a week earlier two of them had not moved yet."""
    later = at >= WEEK_END
    jumped = machine("heron-01", bed((0.18, -0.42), 0.03, seed=2), at=at)
    jumped = replace(
        jumped,
        since=at - timedelta(days=4),
        steps=(jump(at, 4),),
        trace=trace(jumped.range_mm or 0, at, jump_days_ago=4, seed=5),
        reasons=(
            "Confirmed: five meshes since Thursday agree to 0.02 mm.",
            "A mesh at 60 °C with a clean nozzle that shows less than 0.2 mm would change our mind.",
        ),
    )
    twice = machine("plover-03", bed((1.3, 0.1), 0.03, seed=3), at=at)
    twice = replace(
        twice,
        advice=("inspect-drive", "realign"),
        since=at - timedelta(days=2),
        steps=(
            jump(at, 61, "front-left", 1),
            Step(at=at - timedelta(days=50), name="repair", screw="front-left", mm=-0.4, teeth=None),
            jump(at, 30, "front-left", 2),
            jump(at, 2, "front-left", 1),
        ),
        trace=trace(twice.range_mm or 0, at, jump_days_ago=2, low=0.6, seed=6),
        reasons=(
            "Confirmed by 3 meshes.",
            "Front left jumped 3 times in 90 days: look at belt tension and the pulley clamp first.",
        ),
    )
    bent = replace(
        machine("avocet-02", bed((0.02, -0.03), 0.24, seed=4), at=at),
        cause="plate",
        advice=("turn-plate",),
        plan=None,
        reasons=(
            "Form alone is 0.36 mm; screws could win back less than a quarter.",
            "Turn the plate half round and mesh again: what turns with it is the plate.",
        ),
    )
    both = replace(
        machine("heron-06", bed((0.9, 0.5), 0.2, seed=5), at=at), cause="both", advice=("realign", "turn-plate")
    )
    probe_mesh = bed((0.0, 0.02), 0.02, spike=0.31, seed=6)
    probing = replace(
        machine("plover-07", probe_mesh, at=at),
        cause="probe",
        advice=("check-probe",),
        plan=None,
        spikes=(Spike(row=3, column=2, x_mm=76.7, y_mm=110.0, stands_off_mm=0.30),),
        reasons=("Without one point the range is 0.05 mm.", "A mesh without that point high would change our mind."),
    )
    unsure = replace(
        machine("avocet-08", bed((0.2, 0.02), 0.02, seed=7), at=at),
        confirmed=False,
        cause="unclear",
        suspected_cause="screws",
        advice=("re-mesh",),
        plan=None,
        since=at - timedelta(days=0.4),
        suspected_step=Step(at=at - timedelta(days=0.4), name="shift", screw="front-left", mm=0.17, teeth=None),
        reasons=("Only one mesh says so.", "Mesh again hot: two meshes an hour apart decide."),
    )
    floor = replace(
        machine("heron-09", bed((0.16, -0.13), 0.05, seed=8), at=at),
        at_tooth_floor=True,
        advice=("shim",),
        since=at - timedelta(days=80),
    )
    silent = replace(
        machine("plover-10", bed((0.02, 0.03), 0.02, seed=9), at=at, days_old=19),
        silent=True,
        mesh_old=True,
        host_answered_at=at - timedelta(days=18.8),
        last_outcome="timed-out",
        last_reason="no answer within 10 s",
        advice=("leave", "check-host"),
    )
    out = replace(
        machine("avocet-05", bed((0.5, 0.3), 0.02, seed=10), at=at, days_old=40),
        in_service=False,
        out_reason="waiting for a new belt",
        out_until=at + timedelta(days=12),
    )
    cold = machine("avocet-09", bed((0.05, 0.0), 0.02, seed=11), at=at)
    cold = replace(
        cold,
        reading=replace(
            cold.reading, judged=False, bed_celsius=22.0, why_not_judged="the bed was at 22 °C, judged from 45 °C"
        ),
    )
    twin = replace(
        machine("heron-10", bed((0.02, 0.0), 0.02, seed=12), at=at),
        warnings=("The same mesh came from plover-09: two names, one address?",),
    )
    named = [
        (jumped if later else machine("heron-01", bed((0.0, 0.0), 0.03, seed=2), at=at)),
        (
            twice
            if later
            else replace(machine("plover-03", bed((0.5, 0.1), 0.03, seed=3), at=at), steps=twice.steps[:1])
        ),
        bent,
        both,
        probing,
        unsure,
        floor,
        silent,
        out,
        cold,
        twin,
        machine(
            "avocet-10",
            condition="unknown",
            advice=("re-mesh",),
            last_outcome="garbled",
            last_reason="no heights at $.mesh.grid",
        ),
        due("plover-02", bed((0.09, 0.0), 0.03, seed=20), (6, 11, 21), at),
        due("heron-05", bed((0.08, 0.03), 0.03, seed=21), (14, 25, 52), at),
        due("avocet-03", bed((0.07, 0.03), 0.03, seed=22), (40, 80, None), at),
        due("avocet-04", bed((0.06, 0.03), 0.03, seed=23), (70, None, None), at),
        replace(machine("plover-05", bed((-0.8, 0.4), 0.02, seed=24), at=at), model=replace(MODEL, clockwise=None)),
    ]
    done = {m.machine: m for m in named}
    names = [f"{aisle}-{i:02d}" for aisle in ("heron", "plover", "avocet") for i in range(1, 11)]
    return FleetAssessment(
        at=at,
        limits=LIMITS,
        machines=tuple(
            done.get(n) or machine(n, bed((0.01 * (i % 4), 0.0), 0.02 + 0.01 * (i % 3), seed=40 + i), at=at)
            for i, n in enumerate(names)
        ),
    )


def large_fleet(count: int, at: datetime = WEEK_END) -> FleetAssessment:
    """The invented farm over and over, under other names."""
    pattern = invented_fleet(at).machines
    return FleetAssessment(
        at=at,
        limits=LIMITS,
        machines=tuple(
            replace(pattern[i % len(pattern)], machine=f"{pattern[i % len(pattern)].aisle}-{i:04d}")
            for i in range(count)
        ),
    )


MANAGER, TECHNICIAN = "manager-of-nights", "technician-nine"
"""Who acted; neither may ever stand in a report."""
PROGRAM = "farmwatch"
_BY: dict[str, str] = {"propose": PROGRAM, "refresh": PROGRAM, "prove": PROGRAM, "fail": PROGRAM, "approve": MANAGER}


def life(
    number: int, machine: str, cause: str, *deeds: tuple[Any, ...], at: datetime = WEEK_END, **facts: Any
) -> tuple[Ticket, list[TicketEvent]]:
    """A ticket as it stands after `deeds` (action, days before `at`, and perhaps why), with its events."""
    events: list[TicketEvent] = []
    phase: phases.Phase | None = None
    worked: dict[str, Any] = {}
    for action, days, *why in deeds:
        when = at - timedelta(days=days)
        to = "proposed" if phase is None else phases.follows(number, phase, action)
        by = _BY.get(action, TECHNICIAN)
        events.append(
            TicketEvent(number=number, at=when, action=action, from_phase=phase, to_phase=to, by=by, why="".join(why))
        )
        phase = to
        if action == "take":
            worked |= {"work_from": when, "work_until": None}
        if action in ("done", "nothing-found"):
            worked |= {"work_until": when, "method": "realign"}
    assert phase is not None
    closed = {"closed_at": events[-1].at, "closed_range_mm": 0.05} if phase in phases.CLOSED else {}
    base: dict[str, Any] = {
        "opened_at": events[0].at,
        "changed_at": events[-1].at,
        "revision": len(events),
        "priority": 2,
        "due": (at + timedelta(days=3)).date(),
    }
    ticket = Ticket(number=number, machine=machine, cause=cause, phase=phase, **{**base, **worked, **closed, **facts})
    return ticket, events


def invented_book() -> tuple[list[Ticket], list[TicketEvent]]:
    """Tickets of the invented farm, in every phase, as they stood at the week's end."""
    lives = [
        life(1, "plover-03", "screws", ("propose", 30), ("approve", 29), ("take", 9.1), ("done", 9), ("prove", 8)),
        life(2, "plover-05", "screws", ("propose", 12), ("approve", 11), due=(WEEK_END - timedelta(days=6)).date()),
        life(
            3, "heron-06", "both", ("propose", 20), ("approve", 19), ("take", 6), ("done", 5.9),
            ("fail", 4, "1.30 mm where at most 0.36 mm was to be."),
        ),
        life(4, "heron-01", "screws", ("propose", 3)),
        life(5, "avocet-02", "plate", ("propose", 9), ("approve", 8), ("take", 0.5)),
        life(
            6, "plover-07", "probe", ("propose", 9), ("accept", 2, f"{MANAGER} says so"),
            accepted_limit_mm=0.4, accepted_until=WEEK_END + timedelta(days=90), closed_range_mm=0.33,
        ),
        life(7, "heron-09", "screws", ("propose", 40)),
        life(8, "plover-10", "host", ("propose", 3)),
        life(9, "plover-03", "screws", ("propose", 1.5)),
        life(10, "avocet-08", "screws", ("propose", 9)),
        life(
            11, "heron-02", "screws", ("propose", 9), ("approve", 8.5), ("take", 5), ("done", 4.9),
            ("prove", 2, "2 probings at or under 0.20 mm."),
        ),
        life(12, "plover-01", "screws", ("propose", 9)),
        life(13, "avocet-01", "screws", ("propose", 9), ("approve", 8), ("take", 4), ("nothing-found", 3.9)),
        life(14, "heron-03", "screws", ("propose", 9), ("withdraw", 5, f"{TECHNICIAN} took it apart")),
        life(15, "plover-04", "screws", ("propose", 9), ("approve", 8), ("take", 0.3), ("done", 0.2)),
        life(16, "avocet-06", "plate", ("propose", 9), ("withdraw", 4, "It now reads as screws; another ticket.")),
    ]  # fmt: skip
    events = [event for _, some in lives for event in some]
    return [ticket for ticket, _ in lives], sorted(events, key=lambda event: event.at)


def booked(now: FleetAssessment, names: dict[str, str] | None = None) -> TicketFacts:
    """The invented book as the report of the week sees it; `names` gives its machines other names."""
    tickets, events = invented_book()
    renamed = [replace(ticket, machine=(names or {}).get(ticket.machine, ticket.machine)) for ticket in tickets]
    return find_ticket_facts(renamed, events, now, WEEK_START)
