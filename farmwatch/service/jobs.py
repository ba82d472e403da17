"""The jobs themselves: the night's work, the reports, the refresh of what `fleet` shows, the backups.

They run in a process of their own (`worker`). Every part may be done twice: a crash in between costs nothing but time.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from farmwatch.assess import assess, host_facts
from farmwatch.errors import FarmwatchError
from farmwatch.files import clear_unfinished
from farmwatch.foresight import keep_forecasts, learn_drift
from farmwatch.judge import Assessment, FleetAssessment, HostFacts, with_host
from farmwatch.report import Week, write_week
from farmwatch.service.calendar import night_key, report_key
from farmwatch.service.fleet_cache import FleetCache, changed, load, save, with_twins
from farmwatch.service.reportmail import report_letter
from farmwatch.service.status import MOST_MACHINES, MachineFigures
from farmwatch.service.worker import ASSESSMENT, FIRST_LOOK, Job
from farmwatch.store import Store
from farmwatch.store.records import Run
from farmwatch.tickets import Outbox, TicketChanges, update_tickets
from farmwatch.times import micros

__all__ = ["KEPT", "back_up", "backups", "do"]

_POLLS_KEPT_WHOLE = timedelta(days=365)


def do(job: Job, store: Store) -> dict[str, object]:
    """Do it and enter it into the last-run record; returns what the service wants to know, as plain values.

    Raises FarmwatchError where a part cannot be done.
    """
    if job.kind == "refresh":
        return _refresh(job, store)
    if job.kind == "night":
        # Before the farm is judged: what is judged later in the night's own record rests on it.
        learn_drift(job.settings, store, job.at)
    said = _assess(job, store)
    if job.kind == "night":
        return said | _night(job, store)
    return said | _report(job, store)


def _assess(job: Job, store: Store) -> dict[str, object]:
    # Looked at before: what comes in meanwhile counts as new the next time.
    records = _come_by(store.change_stamps(), job.at)
    fleet = assess(job.settings, store, job.at)
    machines = {one.machine: one for one in fleet.machines}
    save(job.settings, store.path, FleetCache(at=job.at, records=records, machines=machines))
    book = update_tickets(job.settings, store, fleet)
    keep_forecasts(store, fleet, str(Week.holding(job.at.astimezone(job.settings.farm.timezone).date())))
    letters = Outbox(store).announce(job.settings, job.at)
    conditions = _conditions(fleet)
    store.add_run(Run(name=ASSESSMENT, at=job.at, detail=json.dumps(conditions)))
    return {"conditions": conditions, "machines": _figures(fleet), "letters": letters} | _counted(book)


def _counted(book: TicketChanges) -> dict[str, object]:
    return {"opened": len(book.opened), "proven": len(book.proven), "came_back": len(book.came_back)}


def _refresh(job: Job, store: Store) -> dict[str, object]:
    """Judge what is new since the last time, so that `fleet` has little left to do, and see to its tickets."""
    settings = job.settings
    records = _come_by(store.change_stamps(), job.at)
    cache = load(settings, store.path, job.at)
    names = [machine.name for machine in settings.machines]
    new = names if cache is None else changed(settings, cache, records)
    old = {} if cache is None else dict(cache.machines)
    # An end of a time out of service passes without an entry.
    out = store.out_of_service(job.at)
    hosts = host_facts(settings, store, job.at)
    # A host that fell silent, or answers again, may open or close a ticket of its own.
    turned = {name for name, one in old.items() if one.in_service == (name in out) or one.silent != hosts[name].silent}
    new += [name for name in names if name not in new and name in turned]
    fresh = {one.machine: one for one in assess(settings, store, job.at, new).machines} if new else {}
    # Before what was judged is kept: where this fails, it is judged and seen to again.
    book = _see_to_tickets(job, store, tuple(fresh.values()))
    if book != TicketChanges():
        records = _with_own_events(records, store.change_stamps(), book)
    machines = {name: fresh.get(name) or _with_host_now(with_twins(old[name], fresh), hosts[name]) for name in names}
    save(settings, store.path, FleetCache(at=job.at, records=records, machines=machines))
    fleet = FleetAssessment(at=job.at, limits=settings.limits, machines=tuple(machines.values()))
    said = {"conditions": _conditions(fleet), "machines": _figures(fleet), "judged": len(fresh)}
    return said | _counted(book)


def _see_to_tickets(job: Job, store: Store, fresh: tuple[Assessment, ...]) -> TicketChanges:
    """Carry what was just judged into the book: a ticket need not wait for the night."""
    if not fresh:
        return TicketChanges()
    settings = job.settings
    book = update_tickets(settings, store, FleetAssessment(at=job.at, limits=settings.limits, machines=fresh))
    if book != TicketChanges():
        Outbox(store).announce(settings, job.at)
    return book


def _with_own_events(before: Mapping[str, str], after: Mapping[str, str], book: TicketChanges) -> dict[str, str]:
    """The records as they were judged, but for what the book itself has just entered: that is no news."""
    ours: Counter[str] = Counter()
    for ticket in book.opened:
        # A rule of the farm may have approved it in the same breath.
        ours[ticket.machine] += ticket.revision
    ours.update(t.machine for t in (*book.refreshed, *book.withdrawn, *book.proven, *book.came_back))
    known = dict(before)
    for name, entered in ours.items():
        then, now = _parts(before.get(name, "")), _parts(after.get(name, ""))
        others = int(now.pop("events", "0")) - int(then.pop("events", "0")) - entered
        if then == now and not others:
            known[name] = after[name]
    return known


def _come_by(records: Mapping[str, str], at: datetime) -> dict[str, str]:
    """The records without those that hold a reading from after `at` (a host's clock may be minutes ahead).

    Such a reading is not judged yet, so its machine must count as new the next time.
    """
    now = micros(at)
    return {name: record for name, record in records.items() if _newest_taken(record) <= now}


def _newest_taken(record: str) -> int:
    return int(_parts(record).get("readings", "0").rpartition("/")[2])


def _parts(record: str) -> dict[str, str]:
    words = record.split()
    return dict(zip(words[::2], words[1::2], strict=True))


def _with_host_now(one: Assessment, host: HostFacts) -> Assessment:
    return with_host(replace(one, advice=tuple(word for word in one.advice if word != "check-host")), host)


def _figures(fleet: FleetAssessment) -> tuple[MachineFigures, ...]:
    """What /metrics tells of each machine in service."""
    found = []
    for one in [machine for machine in fleet.machines if machine.in_service][:MOST_MACHINES]:
        mesh = one.judged_reading or one.reading
        found.append(
            MachineFigures(
                name=one.machine,
                condition=one.condition,
                range_mm=one.condition_range_mm,
                taken_at=None if mesh is None else mesh.taken_at.timestamp(),
            )
        )
    return tuple(found)


def _conditions(fleet: FleetAssessment) -> Mapping[str, int]:
    counted = Counter(machine.condition for machine in fleet.machines if machine.in_service)
    return {condition: counted[condition] for condition in ("ideal", "usable", "past-limit", "unknown")}


def _night(job: Job, store: Store) -> dict[str, object]:
    thinned = store.thin_polls(job.at - _POLLS_KEPT_WHOLE)
    store.thin_answers(job.settings.farm.keep_answers)
    store.keep_addresses(job.settings.addresses)
    Outbox(store).forget_old(job.at)
    for folder in (store.path.parent, job.settings.farm.reports):
        clear_unfinished(folder)
    backup, readings = back_up(store, job.at)
    if job.night is not None:
        store.add_run(Run(name=night_key(job.night), at=job.at, detail=str(backup)))
    return {"thinned": thinned, "backup": str(backup), "readings": readings}


def _report(job: Job, store: Store) -> dict[str, object]:
    view, path = write_week(job.settings, store, job.at, job.week)
    if job.kind == "first-look":
        store.add_run(Run(name=FIRST_LOOK, at=job.at, detail=str(path)))
        return {"report": str(path), "week": view.week}
    key = report_key(Week.read(view.week))
    if job.settings.mail is not None:
        Outbox(store).put(key, "report", report_letter(view, path), job.at)
    store.add_run(Run(name=key, at=job.at, detail=str(path)))
    return {"report": str(path), "week": view.week, "mailed": job.settings.mail is not None}


KEPT = 8
FOLDER = "backups"


def back_up(store: Store, now: datetime) -> tuple[Path, int]:
    """Copy the database into `backups/` beside it and let go of the oldest copies; returns the copy and its readings.

    Raises FarmwatchError. Nothing but copies made here is ever removed, and none before the new one is checked.
    """
    folder = store.path.with_name(FOLDER)
    try:
        folder.mkdir(mode=0o750, exist_ok=True)
    except OSError as fault:
        raise FarmwatchError(f"{folder}: cannot be made ({fault.strerror}); check the owner of its folder") from fault
    target = folder / f"{store.path.stem}-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}{store.path.suffix}"
    readings = store.backup(target)
    # The newest by their names' time, the one just made among them whatever the clock says.
    for old in [path for path in backups(store.path) if path != target][: -(KEPT - 1)]:
        old.unlink(missing_ok=True)
    return target, readings


def backups(database: Path) -> list[Path]:
    """The copies of a database made here, the oldest first."""
    folder = database.with_name(FOLDER)
    name = re.compile(re.escape(database.stem) + r"-\d{8}T\d{6}Z" + re.escape(database.suffix))
    return sorted(path for path in folder.glob("*") if name.fullmatch(path.name))
