"""Does an errand. Every part may be done twice: a crash in between costs nothing but time."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from datetime import timedelta

from farmwatch.assess import assess
from farmwatch.judge.assessment import FleetAssessment
from farmwatch.report.week import Week
from farmwatch.report.write import write_week
from farmwatch.service.backups import back_up
from farmwatch.service.calendar import night_key, report_key
from farmwatch.service.errand import ASSESSMENT, FIRST_LOOK, Errand
from farmwatch.service.reportmail import CHANNEL, report_letter
from farmwatch.store import Run, Store
from farmwatch.tickets import Outbox, announce, step_book

__all__ = ["do"]

_POLLS_KEPT_WHOLE = timedelta(days=365)


def do(errand: Errand, store: Store) -> dict[str, object]:
    """Do it and enter it into the last-run record; returns what the service wants to know, as plain values.

    Raises FarmwatchError where a part cannot be done.
    """
    said = _assess(errand, store)
    if errand.kind == "night":
        return said | _night(errand, store)
    return said | _report(errand, store)


def _assess(errand: Errand, store: Store) -> dict[str, object]:
    fleet = assess(errand.settings, store, errand.at)
    book = step_book(errand.settings, store, fleet)
    letters = announce(errand.settings, store, errand.at)
    conditions = _conditions(fleet)
    store.add_run(Run(name=ASSESSMENT, at=errand.at, detail=json.dumps(conditions)))
    return {
        "conditions": conditions,
        "opened": len(book.opened),
        "proven": len(book.proven),
        "came_back": len(book.came_back),
        "letters": letters,
    }


def _conditions(fleet: FleetAssessment) -> Mapping[str, int]:
    counted = Counter(machine.condition for machine in fleet.machines if machine.in_service)
    return {condition: counted[condition] for condition in ("ideal", "usable", "past-limit", "unknown")}


def _night(errand: Errand, store: Store) -> dict[str, object]:
    thinned = store.thin_polls(errand.at - _POLLS_KEPT_WHOLE)
    Outbox(store).forget_old(errand.at)
    backup, readings = back_up(store, errand.at)
    if errand.night is not None:
        store.add_run(Run(name=night_key(errand.night), at=errand.at, detail=str(backup)))
    return {"thinned": thinned, "backup": str(backup), "readings": readings}


def _report(errand: Errand, store: Store) -> dict[str, object]:
    view, path = write_week(errand.settings, store, errand.at, errand.week)
    if errand.kind == "first-look":
        store.add_run(Run(name=FIRST_LOOK, at=errand.at, detail=str(path)))
        return {"report": str(path), "week": view.week}
    key = report_key(Week.read(view.week))
    if errand.settings.mail is not None:
        Outbox(store).put(key, CHANNEL, report_letter(view, path), errand.at)
    store.add_run(Run(name=key, at=errand.at, detail=str(path)))
    return {"report": str(path), "week": view.week, "mailed": errand.settings.mail is not None}
