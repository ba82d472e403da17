"""The fleet on a screen: every machine's condition, worst first, in as many columns as there is room for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from farmwatch.cli.screen import echo, paragraph, table, width
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import Condition
from farmwatch.judge.tables import ADVICE
from farmwatch.model import Limits
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import clock, count, day_of, joined, mm, sanitize

if TYPE_CHECKING:
    from farmwatch.tickets import Ticket

__all__ = [
    "ORDERS",
    "accepted_words",
    "age_words",
    "fleet_document",
    "narrowed",
    "needs_attention",
    "needs_work",
    "show_fleet",
    "work_done_words",
    "worst_first",
]

_RANK: dict[Condition, int] = {"past-limit": 0, "usable": 1, "ideal": 2, "unknown": 3}
# Columns of characters from which there is room for the next column of the table.
_ROOM_FOR_ADVICE, _ROOM_FOR_AGE, _ROOM_FOR_JOB, _ROOM_FOR_CAUSE = 56, 64, 72, 104
_PHASES = {"proving": "awaiting its check", "came-back": "failed its check", "in-work": "in work"}
_NOBODY: Mapping[str, Ticket] = MappingProxyType({})
_MOST_NAMES = 6


def worst_first(machines: Sequence[Assessment]) -> list[Assessment]:
    """In service before out of it, then by condition; at its tooth floor after one that teeth can help; by range.

    The range is that of the mesh which is judged.
    """
    return sorted(
        machines,
        key=lambda m: (
            not m.in_service,
            _RANK[m.condition],
            m.at_tooth_floor,
            -(m.condition_range_mm or 0.0),
            m.machine,
        ),
    )


ORDERS: Mapping[str, Callable[[Assessment], Any]] = MappingProxyType(
    {
        "name": lambda m: m.machine,
        "range": lambda m: (m.condition_range_mm is None, -(m.condition_range_mm or 0.0), m.machine),
        "age": lambda m: (m.reading is not None, None if m.reading is None else m.reading.taken_at, m.machine),
    }
)
"""What else than the worst can stand first: by name, the largest range, or the oldest newest mesh."""


def narrowed(
    fleet: FleetAssessment, aisles: Sequence[str], conditions: Sequence[str], needing: Callable[[Assessment], bool]
) -> FleetAssessment:
    """The fleet with the machines of these aisles and conditions alone (of all where none is named) that `needing`
    lets pass."""
    keep = [
        m
        for m in fleet.machines
        if (not aisles or m.aisle in aisles)
        and (not conditions or (m.in_service and m.condition in conditions))
        and needing(m)
    ]
    return replace(fleet, machines=tuple(keep))


def _in_order(machines: Sequence[Assessment], order: str) -> list[Assessment]:
    return sorted(machines, key=ORDERS[order]) if order in ORDERS else worst_first(machines)


def needs_attention(machines: Sequence[Assessment]) -> bool:
    """Whether a machine in service is past the limit."""
    return any(machine.in_service and machine.condition == "past-limit" for machine in machines)


def needs_work(machine: Assessment, accepted: Mapping[str, Ticket]) -> bool:
    """Whether somebody is to work on it: past the limit, not accepted, not as good as teeth allow, not done already."""
    if not machine.in_service or machine.condition != "past-limit" or machine.machine in accepted:
        return False
    is_done = machine.ticket is not None and not machine.ticket.about_host and machine.ticket.phase == "proving"
    return not (machine.at_tooth_floor or is_done)


def show_fleet(
    fleet: FleetAssessment,
    farm: str,
    zone: Any,
    *,
    accepted: Mapping[str, Ticket] = _NOBODY,
    reasons: bool = False,
    order: str = "worst",
) -> None:
    """Title, table and the counts under it.

    accepted: the ticket by which a machine is accepted as it is. reasons: what each machine's advice rests on, too.
    """
    paragraph(f"{sanitize(farm)}, {clock(fleet.at, zone)}", strong=True)
    echo()
    machines = _in_order(fleet.machines, order)
    if not machines:
        echo("no machine is described in the configuration yet, or none is like that")
        return
    broad = width()
    columns = [("machine", False), ("range", True), ("condition", False)]
    picked = [
        (_ROOM_FOR_CAUSE, "cause", _cause),
        (_ROOM_FOR_ADVICE, "to do", lambda m: _to_do(m, fleet, zone, accepted.get(m.machine))),
        (_ROOM_FOR_JOB, "job", _job),
        (_ROOM_FOR_AGE, "mesh", lambda m: _age(m, fleet.at)),
    ]
    if not any(m.ticket is not None for m in machines):
        del picked[2]
    columns += [(heading, False) for room, heading, _ in picked if broad >= room]
    rows = [
        [
            machine.machine,
            _range(machine),
            _condition(machine, fleet.limits),
            *(cell(machine) for room, _, cell in picked if broad >= room),
        ]
        for machine in machines
    ]
    table(columns, rows, strong=lambda row: needs_attention(machines[row : row + 1]))
    echo()
    paragraph(_counts(fleet, accepted))
    for sentence in (*_of_twins(machines), *_of_newer_meshes(machines)):
        paragraph(sanitize(sentence))
    # The cause is told where there is plenty of room; each machine's own page has it anyway.
    left_out = [heading for room, heading, _ in picked if broad < room < _ROOM_FOR_CAUSE]
    if left_out:
        paragraph(f"Not shown here: {joined(left_out)}; {_ROOM_FOR_JOB} columns have room for all.")
    if reasons:
        _show_reasons(machines)


def _show_reasons(machines: Sequence[Assessment]) -> None:
    for machine in machines:
        if machine.reasons or machine.warnings:
            echo()
            echo(sanitize(machine.machine), strong=True)
            for sentence in (*machine.warnings, *machine.reasons):
                paragraph(sanitize(sentence), indent=2, hang=2)


def accepted_words(ticket: Ticket, zone: Any) -> str:
    """accepted to 0.45 until 2027-05-23."""
    to = "" if ticket.accepted_limit_mm is None else f" to {mm(ticket.accepted_limit_mm, 2)}"
    until = "" if ticket.accepted_until is None else f" until {ticket.accepted_until.astimezone(zone):%Y-%m-%d}"
    return f"accepted{to}{until}"


def work_done_words(machine: Assessment, zone: Any) -> str:
    """Of a machine whose work no mesh has seen yet: work done Sat 21 Nov; do not turn; probe hot."""
    ticket = machine.ticket
    assert ticket is not None  # as awaits_mesh says
    assert ticket.work_until is not None
    return f"work done {day_of(ticket.work_until, zone, year=False)}; do not turn; probe hot"


def age_words(moment: datetime, at: datetime) -> str:
    """An age in a few characters: 40 min, 5 h, 12 d."""
    minutes = max(0.0, (at - moment).total_seconds() / 60)
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} d"


def fleet_document(fleet: FleetAssessment, order: str = "worst") -> dict[str, Any]:
    """The document of `fleet --json`: farmwatch.fleet/1, worst first; what cannot be known is null."""
    return fleet.short_document(_in_order(fleet.machines, order))


def _range(machine: Assessment) -> str:
    judged = machine.condition_range_mm
    return "-" if judged is None else mm(judged)


def _to_do(machine: Assessment, fleet: FleetAssessment, zone: Any, ticket: Ticket | None) -> str:
    if ticket is not None:
        return accepted_words(ticket, zone)
    if machine.awaits_mesh:
        return work_done_words(machine, zone)
    first = ["whose mesh?"] if machine.in_service and machine.twins else []
    judged = machine.judged_reading or machine.reading
    days = timedelta(days=fleet.limits.mesh_old_after_days)
    if (
        machine.in_service
        and judged is not None
        and fleet.at - judged.taken_at > days
        and "re-mesh" not in machine.advice
    ):
        first.append("probe it hot: its mesh is old")
    # Nothing to do is said by nothing.
    return ", ".join([*first, *(ADVICE[one].work for one in machine.advice if one != "leave")])


def _job(machine: Assessment) -> str:
    """Its open ticket: number, how it stands, and who has it."""
    ticket = machine.ticket
    if ticket is None:
        return ""
    phase = _PHASES.get(ticket.phase, ticket.phase)
    return f"{ticket.number} {phase}{f', {ticket.owner}' if ticket.owner else ''}"


def _condition(machine: Assessment, limits: Limits) -> str:
    if not machine.in_service:
        return "out of service"
    if machine.condition == "unknown":
        return machine.condition
    return f"{machine.condition}{'' if machine.confirmed else '?'}{'*' if _one_mesh_differs(machine, limits) else ''}"


def _one_mesh_differs(machine: Assessment, limits: Limits) -> bool:
    """Whether the range beside its condition would be of another one: one mesh does not always decide."""
    range_mm = machine.condition_range_mm
    if not machine.in_service or machine.condition == "unknown" or range_mm is None:
        return False
    alone = "ideal" if range_mm <= limits.ideal_mm else "usable" if range_mm <= limits.usable_mm else "past-limit"
    return alone != machine.condition


def _cause(machine: Assessment) -> str:
    return (
        "" if machine.cause == "none" else f"{machine.cause}, tooth floor" if machine.at_tooth_floor else machine.cause
    )


def _age(machine: Assessment, at: datetime) -> str:
    reading, judged = machine.reading, machine.judged_reading
    if reading is None:
        said = ["none yet"]
    elif judged is not None and machine.in_service:
        said = [age_words(judged.taken_at, at), "newer not judged"]
    else:
        said = ["age unknown" if reading.time_from == "unknown" else age_words(reading.taken_at, at)]
        said += ["old"] if machine.mesh_old else []
        said += ["not judged"] if machine.in_service and not reading.judged else []
    said += ["silent"] if machine.silent else []
    last = machine.last_outcome
    if last is not None and OUTCOMES[last].fix and not machine.silent:
        said.append(last)
    return ", ".join(said)


def _of_twins(machines: Sequence[Assessment]) -> list[str]:
    """A sentence for each set of machines that gave one mesh."""
    sets = {tuple(sorted({one.machine, *one.twins})) for one in machines if one.in_service and one.twins}
    return [
        f"{joined(names, _MOST_NAMES)} gave the same mesh, to the last digit: two names for one address?"
        for names in sorted(sets)
    ]


def _of_newer_meshes(machines: Sequence[Assessment]) -> list[str]:
    names = sorted(one.machine for one in machines if one.in_service and one.judged_reading is not None)
    if not names:
        return []
    of = f"{joined(names, _MOST_NAMES)}: a newer mesh is not judged; range and condition are those of the one before."
    return [f"{of} farmwatch machine {names[0]} says why."]


def _counts(fleet: FleetAssessment, accepted: Mapping[str, Ticket]) -> str:
    working = [machine for machine in fleet.machines if machine.in_service]
    conditions = Counter(machine.condition for machine in working)
    said = [f"{conditions[name]} {name}" for name in _RANK if conditions[name]]
    past = [machine for machine in working if machine.condition == "past-limit"]
    at_floor = sum(machine.at_tooth_floor and machine.machine not in accepted for machine in past)
    as_they_are = sum(machine.machine in accepted for machine in past)
    aside = [f"{at_floor} at the tooth floor"] if at_floor else []
    aside += [f"{as_they_are} accepted"] if as_they_are else []
    if aside:
        said[0] += f" ({', '.join(aside)})"
    for number, what in (
        (sum(machine.silent for machine in working), "silent"),
        (sum(machine.not_understood for machine in working), "with a host not understood"),
        (sum(machine.mesh_old for machine in working), "with an old mesh"),
        (len(fleet.machines) - len(working), "out of service"),
    ):
        said += [f"{number} {what}"] if number else []
    limits = f"usable to {fleet.limits.usable_mm:g} mm, ideal to {fleet.limits.ideal_mm:g} mm"
    doubt = "; ? not confirmed yet" if any(m.condition != "unknown" and not m.confirmed for m in working) else ""
    differs = any(_one_mesh_differs(machine, fleet.limits) for machine in working)
    doubt += "; * its newest mesh alone does not decide" if differs else ""
    return f"{count(len(fleet.machines), 'machine')}: {', '.join(said)}. Range in mm, {limits}{doubt}."
