"""A large farm behind the pages, as the service lends it: for the benchmark of the pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from flask import Flask

from farmwatch.config import Settings
from farmwatch.config.settings import Machine
from farmwatch.judge import FleetAssessment
from farmwatch.pages import FarmSource, make_app
from farmwatch.service.fleet_cache import FleetCache, save
from farmwatch.service.pages_source import pages_source
from farmwatch.service.status import ServiceStatus
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository
from tests.farm import settings as settings_of
from tests.report.invented import LIMITS, invented_book, large_fleet

__all__ = ["farm_of", "lent_to_pages"]

Write = Callable[[FleetAssessment], None]


def farm_of(folder: Path, machines: int) -> tuple[Flask, list[datetime], FleetAssessment, Write]:
    """The pages over summaries of so many machines, every tenth with a ticket; the clock that they go by, what was
    judged, and what writes another judgement."""
    judged = large_fleet(machines)
    settings = settings_of(folder, [m.machine for m in judged.machines])
    models = {m.model.name: m.model for m in judged.machines}
    rows = tuple(Machine(name=m.machine, model=m.model.name, aisle=m.aisle) for m in judged.machines)
    settings = settings.model_copy(update={"models": models, "machines": rows, "limits": LIMITS})
    store = Store(settings.farm.database)
    pattern = [ticket for ticket in invented_book()[0] if ticket.is_open]

    def fill(transaction: object) -> None:
        for i, machine in enumerate(judged.machines[::10]):
            draft = replace(pattern[i % len(pattern)], machine=machine.machine)
            transaction.open(draft, by="farmwatch", why="invented")  # type: ignore[attr-defined]

    TicketRepository(store).together(fill)

    def write(fleet: FleetAssessment) -> None:
        save(settings, store.path, FleetCache(at=fleet.at, records={}, machines={m.machine: m for m in fleet.machines}))

    write(judged)
    clock = [judged.at]
    return make_app(lent_to_pages(settings, store, clock)), clock, judged, write


def lent_to_pages(settings: Settings, store: Store, clock: list[datetime]) -> FarmSource:
    """What the service lends, by a clock that the caller sets."""
    status = ServiceStatus(clock[0])
    return pages_source(lambda: (settings, clock[0]), store, status, lambda: clock[0], lambda: None, lambda _: None)
