"""The same mesh within minutes (a host that stamps anew) is no new evidence: for sd, steps, confirmation, proof."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from farmwatch.assess import assess
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository, proofs
from tests.tickets.farm import AT, later, settings_in

AXIS = np.linspace(10.0, 210.0, 7)


def probed(hours: float, tilt_mm: float, seed: int) -> Reading:
    z = np.tile(np.linspace(0.0, tilt_mm, 7), (7, 1)) + np.random.default_rng(seed).normal(0.0, 0.005, (7, 7))
    at = later(hours)
    return Reading(machine="heron-01", taken_at=at, seen_at=at, time_from="host", mesh=Mesh.accept(AXIS, AXIS, z),
                   bed_celsius=60.0)  # fmt: skip


def stamped_anew(one: Reading, times: int = 6, minutes: float = 20.0) -> list[Reading]:
    """The reading, and its mesh again every few minutes for two hours."""
    apart = [timedelta(minutes=minutes * k) for k in range(times + 1)]
    return [replace(one, taken_at=one.taken_at + more, seen_at=one.seen_at + more) for more in apart]


@pytest.fixture
def farm(tmp_path):
    settings = settings_in(tmp_path)
    return settings, Store(settings.farm.database)


def test_neither_sd_nor_steps_nor_confirmation_come_of_it(farm) -> None:
    settings, store = farm
    before = [probed(24.0 * day, 0.05, -day) for day in range(-20, -1)]
    jumped = probed(-4.0, 0.235, 99)  # too near the limit for one mesh to say
    store.add_readings([*before, jumped])
    [once] = assess(settings, store, AT).machines
    store.add_readings(stamped_anew(jumped)[1:])
    [again] = assess(settings, store, AT).machines
    assert once.advice[0] == "re-mesh"
    for what in ("condition", "confirmed", "range_sd_mm", "advice", "cause", "suspected_step", "steps", "drift"):
        assert getattr(again, what) == getattr(once, what), what


def test_no_proof_comes_of_it(farm) -> None:
    settings, store = farm
    store.add_readings([probed(24.0 * day, 0.6, -day) for day in range(-5, -1)])
    from farmwatch.tickets import update_tickets

    update_tickets(settings, store, assess(settings, store, later(-20.0)))
    book = TicketRepository(store)
    book.act(1, "approve", at=later(-19.0), by="office")
    book.act(1, "take", at=later(-18.0), by="bench", change=lambda one: replace(one, work_from=later(-18.0)))
    book.act(1, "done", at=later(-17.0), by="bench", change=lambda one: replace(one, work_until=later(-17.0)))
    store.add_readings(stamped_anew(probed(-10.0, 0.05, 7)))
    proof = proofs(settings, store, book.tickets(), AT)[1]
    assert (proof.verdict.says, len(proof.verdict.index)) == ("waiting", 1)
    store.add_readings([probed(-5.0, 0.05, 8)])
    assert proofs(settings, store, book.tickets(), AT)[1].verdict.says == "proven"
