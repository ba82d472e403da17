"""Beds of an invented model with chosen tilt and form, and histories of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from farmwatch.history import History, Note, Reading, Work
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits, Model
from tests.farm import model

GRID = np.linspace(10.0, 210.0, 7)
START = datetime(2026, 11, 1, 5, 58, tzinfo=UTC)


@dataclass(frozen=True)
class Bench:
    """Where beds are made to measure."""

    model: Model
    limits: Limits = field(default_factory=Limits)

    @property
    def points(self) -> tuple[Floats, Floats]:
        return grid_points(GRID, GRID)

    @property
    def influence(self) -> Floats:
        where = self.model.screws_xy
        return influence(where, self.model.reference_index, *self.points)

    def form(self, kind: str = "bowl", mm: float = 0.05) -> Floats:
        """A bent bed of so many mm peak to valley, without tilt."""
        x, y = self.points
        u, v = (x - 110) / 100, (y - 110) / 100
        shapes = {
            "bowl": u * u + v * v,
            "dome": -u * u - v * v,
            "saddle": u * u - v * v,
            "twist": u * v,
            "ridge": u * u,
        }
        e = shapes[kind]
        return mm * (e - e.mean()) / np.ptp(e)

    def bed(self, lift: Sequence[float] = (0.0, 0.0, 0.0), form: Floats | None = None) -> Floats:
        """Heights of the points for a bed standing so high at each screw."""
        flat: Floats = np.asarray(lift, dtype=np.float64) @ self.influence
        return flat if form is None else flat + form

    def reading(self, z: Floats, days: float = 0.0, **facts: object) -> Reading:
        at = START + timedelta(days=days)
        mesh = Mesh.accept(GRID, GRID, z.reshape(GRID.size, GRID.size))
        given = {"machine": "heron-01", "time_from": "host", "bed_celsius": 60.0, "plate": "A", **facts}
        return Reading(taken_at=at, seen_at=at, mesh=mesh, **given)  # type: ignore[arg-type]

    def history(
        self,
        z: Floats,
        n: int = 1,
        noise: float = 0.0,
        seed: int = 1,
        notes: tuple[Note, ...] = (),
        works: tuple[Work, ...] = (),
    ) -> History:
        """The same bed probed once a day, n times."""
        rng = np.random.default_rng(seed)
        readings = [self.reading(z + rng.normal(0.0, noise, z.size), float(day)) for day in range(n)]
        return History.of("heron-01", readings, notes, works)

    def at(self, days: float) -> datetime:
        return START + timedelta(days=days)


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench(model(judge_from_celsius=45))
