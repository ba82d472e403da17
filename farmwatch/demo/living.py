"""The invented farm goes on living while somebody looks: a screw jumps a tooth, told moves are made, work is probed.

Whoever guides a realignment on a page has no machine to turn; a simulated pair of hands makes each move that is told,
and probes the bed, some seconds later. It reads what was told from the farm's own database; the hosts answer GET only.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np

from farmwatch.config import Settings
from farmwatch.demo.beds import POINT_SIGMA_MM, SCREW_SIGMA_MM, unit_lifts
from farmwatch.demo.hosts import SimulatedHosts
from farmwatch.demo.truth import MachineTruth
from farmwatch.model import Model
from farmwatch.store import Move, Store
from farmwatch.tickets import TicketRepository

__all__ = ["HANDS_AFTER", "LivingFarm"]

STEP_SECONDS = 3.0
HANDS_AFTER = timedelta(seconds=15)
"""A told move is made, and the bed probed, so long after it was told."""
PROBED_AFTER = timedelta(seconds=20)
"""Finished work is probed so long after it."""
JUMP_AFTER = timedelta(seconds=90)
# Two meshes within the hour are one look at a machine: the first after the jump is an hour old when its host gives it.
FIRST_MESH_AGO, SECOND_MESH_AFTER = timedelta(minutes=70), timedelta(seconds=60)


class LivingFarm:
    """What happens on the floor from `began` on; every wake-up is `step`, `run` only repeats it."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        hosts: SimulatedHosts,
        farm: tuple[MachineTruth, ...],
        began: datetime,
        seed: int,
    ) -> None:
        self._settings, self._store, self._hosts, self._began = settings, store, hosts, began
        self._rng = np.random.default_rng([seed, 41])
        self._models = {machine.name: settings.models[machine.model] for machine in farm}
        for machine in farm:
            hosts.put_series(machine.name, hosts.series(machine.name).until(began.timestamp()))
        self.jumps = self._sound_one(farm, began)
        """The machine on which a screw will jump; empty where none is left that could."""
        self._jumped_at: datetime | None = None
        self._second_due = False
        self._made: set[tuple[str, datetime]] = set()

    def run(self, stop: threading.Event, clock: Callable[[], datetime]) -> None:
        """Step until `stop` is set."""
        while not stop.wait(STEP_SECONDS):
            self.step(clock())

    def step(self, now: datetime) -> None:
        """What has become due by `now` happens."""
        self._jump(now)
        self._make_moves(now)
        self._probe_work(now)
        self._hosts.move_clock(now)

    def _sound_one(self, farm: tuple[MachineTruth, ...], began: datetime) -> str:
        """A sound machine with a belt whose newest mesh is old enough for one to be dated after it."""
        until = (began - FIRST_MESH_AGO).timestamp()
        sound = [
            machine.name
            for machine in farm
            if machine.group == "well"
            and self._models[machine.name].drive == "belt"
            and self._hosts.series(machine.name).taken_at[-1] < until
        ]
        return sound[0] if sound else ""

    def _jump(self, now: datetime) -> None:
        if not self.jumps or now - self._began < JUMP_AFTER:
            return
        if self._jumped_at is None:
            self._jumped_at, self._second_due = now, True
            model = self._models[self.jumps]
            self._probe(self.jumps, now - FIRST_MESH_AGO, _one_tooth_down(model))
        elif self._second_due and now - self._jumped_at >= SECOND_MESH_AFTER:
            self._second_due = False
            self._probe(self.jumps, now)

    def _make_moves(self, now: datetime) -> None:
        """Every move that was told and waits for its mesh is made as it was told, and the bed probed."""
        told: dict[str, list[Move]] = {}
        for move in self._store.moves(list(self._models)):
            if move.after_at is None and (move.machine, move.at) not in self._made:
                told.setdefault(move.machine, []).append(move)
        for name, moves in told.items():
            if now - max(move.at for move in moves) < HANDS_AFTER:
                continue
            self._made.update((name, move.at) for move in moves)
            self._probe(name, now, {move.screw: _rise(move, self._models[name]) for move in moves})

    def _probe_work(self, now: datetime) -> None:
        for ticket in TicketRepository(self._store).tickets():
            if ticket.phase != "proving" or ticket.work_until is None or ticket.machine not in self._models:
                continue
            newest = float(self._hosts.series(ticket.machine).taken_at[-1])
            if newest <= ticket.work_until.timestamp() and now - ticket.work_until >= PROBED_AFTER:
                self._probe(ticket.machine, now)

    def _probe(self, name: str, at: datetime, lifts_mm: dict[str, float] | None = None) -> None:
        """The bed as it lies, some screws lifted by so much, probed at `at`."""
        series, model = self._hosts.series(name), self._models[name]
        lifts = np.array([(lifts_mm or {}).get(screw.name, 0.0) for screw in model.screws])
        lifts += SCREW_SIGMA_MM * self._rng.normal(size=lifts.size) * (lifts != 0.0)
        z = series.z[-1] + np.einsum("k,krc->rc", lifts, unit_lifts(model, series.x))
        z = z + self._rng.normal(0.0, POINT_SIGMA_MM / 2, z.shape)
        self._hosts.put_series(name, series.with_mesh(at.timestamp(), z))


def _one_tooth_down(model: Model) -> dict[str, float]:
    return {model.screws[model.movable[0]].name: -(model.tooth_step_mm or 0.25)}


def _rise(move: Move, model: Model) -> float:
    """What the bed really does at the screw: whole teeth as the drive has them, a free drive by what was told."""
    if move.teeth is None or model.tooth_step_mm is None:
        return move.mm or 0.0
    way = 1.0 if model.clockwise == "raises" else -1.0
    return way * move.teeth * model.tooth_step_mm
