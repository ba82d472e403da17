"""One round by a clock a year ahead: everything after it is as if it had not been."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.assess import assess
from farmwatch.collect import poll_once
from farmwatch.service.jobs import do
from farmwatch.service.poll_state import PollState
from farmwatch.service.worker import Job
from farmwatch.store import DurableWriter, Store
from farmwatch.tickets import TicketRepository
from tests.collect.hosts import serving
from tests.service.farm import NOW, names, settings_in

pytestmark = pytest.mark.long

HOUR = timedelta(hours=1)
YEAR = timedelta(days=365)


class Host:
    """Shows one mesh until it has another; it tells no times."""

    def __init__(self) -> None:
        self.mesh(0.05, 0)

    def mesh(self, tilt_mm: float, seed: int) -> None:
        axis = np.linspace(0.0, 1.0, 5)
        noise = np.random.default_rng(seed).normal(0.0, 0.003, (5, 5))
        self._grid = (tilt_mm * axis[None, :] + noise).tolist()

    def __call__(self, _: object) -> bytes:
        return json.dumps({"grid": self._grid}).encode()


Wrong = Callable[[Callable[[datetime], Any], Callable[[datetime], Any]], None]


def nothing(_poll: Callable[[datetime], Any], _work: Callable[[datetime], Any]) -> None:
    pass


def a_poll(poll: Callable[[datetime], Any], _work: Callable[[datetime], Any]) -> None:
    poll(NOW + YEAR)


def a_poll_and_the_nights_work(poll: Callable[[datetime], Any], work: Callable[[datetime], Any]) -> None:
    poll(NOW + YEAR)
    poll(NOW + YEAR + HOUR)
    work(NOW + YEAR + 2 * HOUR)


def play(folder: Path, wrong: Wrong, *, known: bool) -> list[Any]:
    """A machine whose bed tilts past the limit, and what is said of it hour by hour."""
    folder.mkdir()
    host, said = Host(), []
    with serving({"/heron-01": host}) as server:
        settings = settings_in(folder, server.address, names(1))
        store = Store(settings.farm.database)
        state = PollState(DurableWriter(store))

        def poll(now: datetime) -> list[str]:
            found = poll_once(settings, state, now, ["heron-01"], clock=lambda: now)
            return [record.outcome for record in found.records]

        def work(now: datetime) -> object:
            return do(Job(kind="refresh", settings=settings, at=now), store)

        for day in (3, 2, 1) if known else ():
            host.mesh(0.05, 10 + day)
            poll(NOW - timedelta(days=day))
        host.mesh(0.05, 0)
        wrong(poll, work)
        for number in range(4):
            host.mesh(0.5, 20 + number)
            now = NOW + 6 * number * HOUR
            said += [poll(now), poll(now + HOUR / 2)]
            said.append(work(now + HOUR))
            [one] = assess(settings, store, now + HOUR).machines
            said.append((one.condition, one.confirmed, one.advice, one.cause, one.range_mm, one.silent, one.reading))
        tickets = TicketRepository(store).tickets(["heron-01"])
        said += [(t.phase, t.cause, t.opened_at) for t in tickets if t.opened_at < NOW + YEAR / 2]
    return said


@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize("wrong", [a_poll, a_poll_and_the_nights_work])
def test_what_a_clock_a_year_ahead_has_read_changes_nothing(tmp_path: Path, wrong: Wrong, known: bool) -> None:
    as_it_is = play(tmp_path / "right", nothing, known=known)
    spoiled = play(tmp_path / "wrong", wrong, known=known)
    assert spoiled == as_it_is
    # The bed is past the limit, and there is a ticket for it.
    assert as_it_is[-2][0] == "past-limit"
    assert as_it_is[-1][0] == "proposed"


def test_work_on_a_ticket_goes_on_by_the_right_clock(tmp_path: Path) -> None:
    host = Host()
    with serving({"/heron-01": host}) as server:
        settings = settings_in(tmp_path, server.address, names(1))
        store = Store(settings.farm.database)
        state = PollState(DurableWriter(store))
        for number in range(4):
            host.mesh(0.5, 20 + number)
            now = NOW + number * HOUR
            poll_once(settings, state, now, ["heron-01"], clock=lambda now=now: now)  # type: ignore[misc]
        do(Job(kind="refresh", settings=settings, at=NOW + 4 * HOUR), store)
        book = TicketRepository(store)
        book.act(1, "approve", at=NOW + 5 * HOUR, by="lead")
        # Taken by a bench whose clock is a year ahead, done by one that is right.
        book.act(1, "take", at=NOW + YEAR, by="bench")
        done = book.act(1, "done", at=NOW + 7 * HOUR, by="bench")
        assert done.changed_at == NOW + 7 * HOUR
        assert [event.action for event in book.events(1)][-3:] == ["approve", "take", "done"]
        store.set_aside_ahead(NOW + 8 * HOUR)
        assert max(event.at for event in book.events(1)) == NOW + 8 * HOUR
