"""The fleet on a screen: every machine's condition, worst first, in as many columns as there is room for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from farmwatch.cli.outcomes import FIXES
from farmwatch.cli.screen import paragraph, plain, say, table, width
from farmwatch.judge.assessment import Assessment, Condition, FleetAssessment
from farmwatch.report.text import clock, count, mm

__all__ = ["age_words", "fleet_document", "needs_attention", "say_fleet", "worst_first"]

_RANK: dict[Condition, int] = {"past-limit": 0, "usable": 1, "ideal": 2, "unknown": 3}
# Columns of characters from which there is room for the next column of the table.
_ROOM_FOR_ADVICE, _ROOM_FOR_CAUSE, _ROOM_FOR_AGE = 56, 72, 64


def worst_first(machines: Sequence[Assessment]) -> list[Assessment]:
    """In service before out of it, then by condition; at its tooth floor after one that teeth can help; by range."""
    return sorted(
        machines,
        key=lambda m: (not m.in_service, _RANK[m.condition], m.at_tooth_floor, -(m.range_mm or 0.0), m.machine),
    )


def needs_attention(machines: Sequence[Assessment]) -> bool:
    """Whether a machine in service is past the limit."""
    return any(machine.in_service and machine.condition == "past-limit" for machine in machines)


def say_fleet(fleet: FleetAssessment, farm: str, zone: Any) -> None:
    """Title, table and the counts under it."""
    paragraph(f"{plain(farm)}, {clock(fleet.at, zone)}", strong=True)
    say()
    machines = worst_first(fleet.machines)
    if not machines:
        say("no machine is described in the configuration yet")
        return
    broad = width()
    columns = [("machine", False), ("range", True), ("condition", False)]
    picked = [
        (broad >= _ROOM_FOR_CAUSE, "cause", _cause),
        (broad >= _ROOM_FOR_ADVICE, "to do", lambda m: ", ".join(m.advice)),
        (broad >= _ROOM_FOR_AGE, "mesh", lambda m: _age(m, fleet.at)),
    ]
    columns += [(heading, False) for room, heading, _ in picked if room]
    rows = [
        [machine.machine, _range(machine), _condition(machine), *(cell(machine) for room, _, cell in picked if room)]
        for machine in machines
    ]
    table(columns, rows, strong=lambda row: needs_attention(machines[row : row + 1]))
    say()
    paragraph(_counts(fleet))


def age_words(moment: datetime, at: datetime) -> str:
    """An age in a few characters: 40 min, 5 h, 12 d."""
    minutes = max(0.0, (at - moment).total_seconds() / 60)
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} d"


def fleet_document(fleet: FleetAssessment) -> dict[str, Any]:
    """The document of `fleet --json`: farmwatch.fleet/1, worst first; what cannot be known is null."""
    return {
        "schema": "farmwatch.fleet/1",
        "at": _rfc3339(fleet.at),
        "limits": {"usable_mm": fleet.limits.usable_mm, "ideal_mm": fleet.limits.ideal_mm},
        "machines": [
            {
                "machine": m.machine,
                "aisle": m.aisle,
                "model": m.model.name,
                "in_service": m.in_service,
                "condition": m.condition,
                "confirmed": m.confirmed,
                "cause": m.cause,
                "advice": list(m.advice),
                "range_mm": None if m.range_mm is None else round(m.range_mm, 3),
                "taken_at": None if m.reading is None else _rfc3339(m.reading.taken_at),
                "mesh_old": m.mesh_old,
                "silent": m.silent,
            }
            for m in worst_first(fleet.machines)
        ],
    }


def _rfc3339(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _range(machine: Assessment) -> str:
    return "-" if machine.range_mm is None else mm(machine.range_mm)


def _condition(machine: Assessment) -> str:
    if not machine.in_service:
        return "out of service"
    return machine.condition if machine.confirmed or machine.condition == "unknown" else f"{machine.condition}?"


def _cause(machine: Assessment) -> str:
    return (
        "" if machine.cause == "none" else f"{machine.cause}, tooth floor" if machine.at_tooth_floor else machine.cause
    )


def _age(machine: Assessment, at: datetime) -> str:
    reading = machine.reading
    if reading is None:
        said = ["none yet"]
    else:
        said = ["age unknown" if reading.time_from == "unknown" else age_words(reading.taken_at, at)]
        said += ["old"] if machine.mesh_old else []
        said += ["not judged"] if machine.in_service and not reading.judged else []
    said += ["silent"] if machine.silent else []
    said += [machine.last_outcome] if machine.last_outcome in FIXES and not machine.silent else []
    return ", ".join(said)


def _counts(fleet: FleetAssessment) -> str:
    working = [machine for machine in fleet.machines if machine.in_service]
    conditions = Counter(machine.condition for machine in working)
    said = [f"{conditions[name]} {name}" for name in _RANK if conditions[name]]
    at_floor = sum(machine.at_tooth_floor for machine in working)
    if at_floor and conditions["past-limit"]:
        said[0] += f" ({at_floor} at the tooth floor)"
    for number, what in (
        (sum(machine.silent for machine in working), "silent"),
        (sum(machine.mesh_old for machine in working), "with an old mesh"),
        (len(fleet.machines) - len(working), "out of service"),
    ):
        said += [f"{number} {what}"] if number else []
    limits = f"usable to {fleet.limits.usable_mm:g} mm, ideal to {fleet.limits.ideal_mm:g} mm"
    doubt = "; ? not confirmed yet" if any(m.condition != "unknown" and not m.confirmed for m in working) else ""
    return f"{count(len(fleet.machines), 'machine')}: {', '.join(said)}. Range in mm, {limits}{doubt}."
