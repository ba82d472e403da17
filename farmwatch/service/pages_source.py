"""What the service lends its pages: the configuration in force, what was judged last, its health and figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from farmwatch.config import Settings
from farmwatch.judge import FleetAssessment
from farmwatch.pages import FarmSource, Published
from farmwatch.service.fleet_cache import load
from farmwatch.service.published import CONTENT_TYPE, figures_text, health_document, problems
from farmwatch.service.status import ServiceStatus
from farmwatch.store import Store

__all__ = ["pages_source"]


def pages_source(
    configuration: Callable[[], tuple[Settings, datetime]],
    store: Store,
    status: ServiceStatus,
    clock: Callable[[], datetime],
    changed: Callable[[], None],
    ask: Callable[[str], None],
) -> FarmSource:
    """The farm as the pages see it.

    configuration: the one in force and when it was read. changed: called after every change that the pages make. ask:
    lets the host of a machine be asked soon.
    """

    def judged(farm: Settings, now: datetime) -> FleetAssessment | None:
        cache = load(farm, store.path, now, oldest=None)
        if cache is None:
            return None
        machines = tuple(cache.machines[machine.name] for machine in farm.machines)
        return FleetAssessment(at=cache.at, limits=farm.limits, machines=machines)

    def amiss() -> Sequence[str]:
        return [one.words for one in problems(status.facts, clock())]

    return FarmSource(
        settings=lambda: configuration()[0],
        read_at=lambda: configuration()[1],
        configuration_fault=lambda: next((p.words for p in status.facts.problems if p.what == "configuration"), ""),
        ask=ask,
        store=store,
        judged=judged,
        health=lambda: Published(*health_document(status.facts, clock())),
        figures=lambda: Published(200, CONTENT_TYPE, figures_text(status.facts, clock())),
        problems=amiss,
        changed=changed,
        clock=clock,
    )
