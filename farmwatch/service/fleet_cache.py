"""What the service last said of every machine, kept beside the database, so that `fleet` need not judge years anew.

Each machine's summary stands with what its record came to then (readings, notes, moves, work). Where the record is the
same only machines with something new are judged, and ages are counted to now. What is not recorded but only passes is
as of the file: hosts gone silent and times out that ended as of its last renewal (5 minutes), a forecast's advice as
of the last night. `assess` always judges anew. The file is a copy of what can be found out again: without it, or with
one of another configuration, everything is judged.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from farmwatch import __version__
from farmwatch.config import Machine, Settings
from farmwatch.files import replacing
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.judge.assessment import ReadingFacts
from farmwatch.store import Store

if TYPE_CHECKING:
    from farmwatch.follow import Step

__all__ = ["FleetCache", "changed", "fleet_now", "load", "save", "with_twins"]

OLDEST = timedelta(hours=1)
_KEPT = (
    "in_service", "out_reason", "silent", "not_understood", "last_outcome", "mesh_old", "range_mm", "judged_range_mm",
    "condition", "confirmed", "cause", "at_tooth_floor",
)  # fmt: skip

Assess = Callable[[Settings, Store, datetime, "Sequence[str] | None"], FleetAssessment]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetCache:
    """Summaries by machine, and what each record came to; `at` is the oldest of them."""

    at: datetime
    records: Mapping[str, str]
    machines: Mapping[str, Assessment]


def fleet_now(settings: Settings, store: Store, now: datetime, assess: Assess) -> FleetAssessment:
    """The farm at `now`, of each machine only what a summary holds; `assess` judges what is new.

    Raises StoreError.
    """
    cache = load(settings, store.path, now, steps=False)
    new = None if cache is None else changed(settings, cache, store.change_stamps())
    if cache is None or new is None:
        return assess(settings, store, now, None)
    fresh = {one.machine: one for one in assess(settings, store, now, new).machines} if new else {}
    age = timedelta(days=settings.limits.mesh_old_after_days)
    # Tickets are read, not kept: the service opens some just after it has judged.
    tickets = store.open_tickets(until=now)
    machines = [
        fresh.get(m.name)
        or replace(_aged(with_twins(cache.machines[m.name], fresh), now, age), ticket=tickets.get(m.name))
        for m in settings.machines
    ]
    return FleetAssessment(at=now, limits=settings.limits, machines=tuple(machines))


def changed(settings: Settings, cache: FleetCache, records: Mapping[str, str]) -> list[str]:
    """Machines whose record is not what it was, in the order of the configuration."""
    old = cache.records
    names = [machine.name for machine in settings.machines]
    return [name for name in names if name not in old or records.get(name, "") != old[name]]


def save(settings: Settings, database: Path, cache: FleetCache) -> None:
    """Put it beside the database in one move. A disk that has no room for it is no fault: it can be found out again."""
    document = {
        "settings": _fingerprint(settings),
        "at": cache.at.isoformat(),
        "machines": {
            name: {"record": cache.records.get(name, ""), **_row(one)} for name, one in cache.machines.items()
        },
    }
    with suppress(OSError), replacing(_file(database), durable=False) as beside:
        beside.write_text(json.dumps(document), encoding="utf-8")


def load(
    settings: Settings, database: Path, now: datetime, *, oldest: timedelta | None = OLDEST, steps: bool = True
) -> FleetCache | None:
    """What was kept; None where there is nothing, or it is older than `oldest` (None: as old as it may be) or of
    another configuration. steps: whether the last step of each machine is wanted too."""
    try:
        document = json.loads(_file(database).read_text(encoding="utf-8"))
        at = datetime.fromisoformat(document["at"])
        if document["settings"] != _fingerprint(settings):
            return None
        if oldest is not None and not timedelta(0) <= now - at <= oldest:
            return None
        rows: dict[str, dict[str, Any]] = document["machines"]
        machines = {m.name: _assessment(settings, m, rows[m.name], steps) for m in settings.machines}
        return FleetCache(at=at, records={name: row["record"] for name, row in rows.items()}, machines=machines)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _file(database: Path) -> Path:
    return database.with_name(f"{database.name}.standing")


def _fingerprint(settings: Settings) -> str:
    """Of everything in the configuration, and of this farmwatch, that decides what is said."""
    farm = settings.farm
    hours = farm.working and (sorted(farm.working.weekdays), farm.working.start_minute, farm.working.end_minute)
    parts = (
        __version__, settings.limits, sorted(settings.models.items()), hours, sorted(farm.closed), str(farm.timezone),
        [(machine.name, machine.model, machine.aisle, machine.address is None) for machine in settings.machines],
    )  # fmt: skip
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _row(one: Assessment) -> dict[str, Any]:
    row: dict[str, Any] = {name: getattr(one, name) for name in _KEPT}
    row["advice"], row["twins"] = list(one.advice), list(one.twins)
    row["steps"] = [_step_row(step) for step in one.steps[-1:]]
    row["reading"], row["judged_reading"] = _reading_row(one.reading), _reading_row(one.judged_reading)
    return row


def _step_row(step: Step) -> dict[str, Any]:
    """A step without what only the drawing of a history asks for."""
    return {"at": step.at.isoformat(), "name": step.name, "screw": step.screw, "mm": step.mm, "teeth": step.teeth}


def _step(row: dict[str, Any]) -> Step:
    # Here, so that `fleet`, which tells of no steps, loads nothing that follows machines.
    from farmwatch.follow import Step

    return Step(**(row | {"at": datetime.fromisoformat(row["at"])}))


def _reading_row(reading: ReadingFacts | None) -> dict[str, Any] | None:
    return None if reading is None else asdict(reading) | {"taken_at": reading.taken_at.isoformat()}


def _reading(row: dict[str, Any] | None) -> ReadingFacts | None:
    return None if row is None else ReadingFacts(**(row | {"taken_at": datetime.fromisoformat(row["taken_at"])}))


def _assessment(settings: Settings, machine: Machine, row: Mapping[str, Any], steps: bool) -> Assessment:
    return Assessment(
        machine=machine.name,
        aisle=machine.aisle,
        model=settings.models[machine.model],
        reading=_reading(row["reading"]),
        judged_reading=_reading(row["judged_reading"]),
        advice=tuple(row["advice"]),
        twins=tuple(row["twins"]),
        steps=tuple(map(_step, row["steps"])) if steps else (),
        **{key: row[key] for key in _KEPT},
    )


def with_twins(one: Assessment, fresh: Mapping[str, Assessment]) -> Assessment:
    """The newest meshes of those judged anew may have become, or be no longer, the same as its own."""
    kept = {name for name in one.twins if name not in fresh}
    twins = kept | {name for name, other in fresh.items() if one.machine in other.twins}
    return one if twins == set(one.twins) else replace(one, twins=tuple(sorted(twins)))


def _aged(one: Assessment, now: datetime, old: timedelta) -> Assessment:
    if one.reading is None or one.mesh_old:
        return one
    return replace(one, mesh_old=now - one.reading.taken_at > old)
