"""Histories with known truth: what tests and benchmarks measure farmwatch against.

A `Recipe` says what a machine does; `make_history` plays it and returns the history *and* the truth. Everything is
invented. Noise of a screw's height follows an AR(1) from reading to reading; `noise_mm` is its marginal standard
deviation, whatever its tails.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from farmwatch.demo import FormKind, bent, correlated
from farmwatch.history import History, Note, Stack
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats
from farmwatch.model import Model, Screw
from farmwatch.times import from_epoch

__all__ = [
    "Band",
    "Gap",
    "Jump",
    "Plate",
    "Recipe",
    "Synthetic",
    "TrueStep",
    "Truth",
    "dropped",
    "make_history",
    "tideframe",
]  # fmt: skip

DAY = 86400.0
WEEK_DAYS = 7.0


@dataclass(frozen=True, slots=True)
class Jump:
    """The bed rises by `mm` at one screw (the reference too) from reading number `reading` on."""

    reading: int
    screw: str
    mm: float
    teeth: int | None = None
    """How many teeth that is, where it is a tooth jump."""


@dataclass(frozen=True, slots=True)
class Plate:
    """From reading number `reading` on this plate lies on the bed, perhaps turned by half a turn."""

    reading: int
    name: str | None
    kind: FormKind = "bowl"
    mm: float = 0.03
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Band:
    """A share of the readings is taken at this temperature, where the screws stand off by `offset_mm`."""

    celsius: float | None
    share: float = 1.0
    offset_mm: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Gap:
    """Nobody probes for `days` before reading number `reading`."""

    reading: int
    days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What one machine does, and how it is read."""

    readings: int = 100
    every_days: float = 1.0
    irregular: float = 1.0
    """0: readings at equal spacing; 1: as irregular as chance makes them (exponential spacing)."""
    start: datetime = datetime(2026, 1, 5, 6, tzinfo=UTC)
    end: datetime | None = None
    """When the last reading is taken, in place of `start`."""
    grids: tuple[tuple[int, int, float], ...] = ((7, 7, 1.0),)
    """(columns, rows, up to which share of the readings)."""
    stands_mm: dict[str, float] = field(default_factory=dict)
    """Height at each screw at the first reading."""
    drift_mm_per_week: dict[str, float] = field(default_factory=dict)
    jumps: tuple[Jump, ...] = ()
    plates: tuple[Plate, ...] = (Plate(0, None),)
    frame: tuple[FormKind, float] = ("flat", 0.0)
    bands: tuple[Band, ...] = (Band(None),)
    band_run: int = 1
    """How many readings in a row are taken at one temperature."""
    gaps: tuple[Gap, ...] = ()
    noise_mm: float = 0.008
    correlation: float = 0.25
    tail: float | None = None
    """Degrees of freedom of Student's t for the noise; None: normal."""
    point_noise_mm: float = 0.004
    spiking_share: float = 0.0
    """Share of readings in which the probe misreads one point."""
    spike_mm: float = 0.3
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class TrueStep:
    """What happened, and at which reading (its place in the history) and time it first shows."""

    reading: int
    at: datetime
    screw: str | None
    mm: float
    teeth: int | None
    plate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What is true of a synthetic history; arrays `[n]`, heights `[n, k]` of every screw without noise and offsets."""

    model: Model
    recipe: Recipe
    days: Floats
    """Days since the first reading."""
    heights: Floats
    form: Floats
    """`[n, r, c]` on the last reading's grid, of the plate that lay there."""
    x: Floats
    y: Floats
    spiking: NDArray[np.bool_]
    band: NDArray[np.intp]
    steps: tuple[TrueStep, ...]
    mm_per_week: dict[str, float]
    """True drift of each movable screw, relative to the reference."""

    def range_mm(self, days_ahead: float) -> float:
        """Range of the noiseless mesh so many days after the last reading, in the last reading's band."""
        return float(np.ptp(self._mesh(days_ahead)))

    def crosses_after(self, limit_mm: float, horizon_days: float = 182.0) -> float | None:
        """Days after the last reading on which the noiseless range first passes the limit; None past the horizon.

        Found on a net of a hundredth of a day around the first hit of a net of a quarter of a day.
        """
        coarse = np.arange(0.0, horizon_days + 0.25, 0.25)
        past = np.flatnonzero(self._ranges(coarse) > limit_mm)
        if not past.size:
            return None
        if past[0] == 0:
            return 0.0
        fine = np.arange(coarse[past[0] - 1], coarse[past[0]] + 0.01, 0.01)
        return float(fine[np.flatnonzero(self._ranges(fine) > limit_mm)[0]])

    def _mesh(self, days_ahead: float) -> Floats:
        rate = np.array([self.recipe.drift_mm_per_week.get(s.name, 0.0) for s in self.model.screws]) / WEEK_DAYS
        offset = self.recipe.bands[self.band[-1]].offset_mm
        off = np.array([offset.get(screw.name, 0.0) for screw in self.model.screws])
        lifted = self.heights[-1] + off + rate * days_ahead
        mesh: Floats = lifted @ _influence(self.model, self.x, self.y) + self.form[-1].ravel()
        return mesh

    def _ranges(self, days: Floats) -> Floats:
        start, day = self._mesh(0.0), self._mesh(1.0) - self._mesh(0.0)
        ranges: Floats = np.ptp(start + days[:, None] * day, axis=1)
        return ranges


@dataclass(frozen=True, slots=True, eq=False)
class Synthetic:
    """A history and what is true of it."""

    history: History
    truth: Truth


def tideframe(lead_mm: float = 8.0, pulley_teeth: int = 20, screws: int = 3) -> Model:
    """The invented model tideframe-220 with two, three or four screws; the rear (or right) one is the reference."""
    places = {
        2: (("left", 10.0, 110.0), ("right", 210.0, 110.0)),
        3: (("front-left", 20.0, 10.0), ("front-right", 200.0, 10.0), ("rear", 110.0, 215.0)),
        4: (
            ("front-left", 10.0, 10.0), ("front-right", 210.0, 10.0), ("rear-right", 210.0, 210.0),
            ("rear-left", 10.0, 210.0),
        ),
    }[screws]  # fmt: skip
    return Model(
        name="tideframe-220",
        lead_mm=lead_mm,
        pulley_teeth=pulley_teeth,
        clockwise="raises",
        bed=(0.0, 0.0, 220.0, 220.0),
        screws=tuple(
            Screw(name=name, x_mm=x, y_mm=y, reference=i == len(places) - 1) for i, (name, x, y) in enumerate(places)
        ),
    )


def make_history(name: str, model: Model, recipe: Recipe, rng: np.random.Generator) -> Synthetic:
    """Play a recipe. The same generator state gives the same history."""
    n = recipe.readings
    days = _days(recipe, rng)
    heights = _heights(model, recipe, days)
    band = _bands(recipe, rng)
    probed = heights + _offsets(model, recipe)[band] + _wandering(recipe, len(model.screws), model.reference_index, rng)
    plate = np.searchsorted([each.reading for each in recipe.plates], np.arange(n), side="right") - 1
    stacks, spiking = _stacks(model, recipe, probed, plate, rng)
    x, y = stacks[-1].x, stacks[-1].y
    celsius = np.array([np.nan if each.celsius is None else each.celsius for each in recipe.bands])
    start = recipe.start.timestamp() if recipe.end is None else recipe.end.timestamp() - round(float(days[-1]) * DAY)
    at = start + np.round(days * DAY)
    history = History(
        machine=name,
        taken_at=at,
        seen_at=at + 60.0,
        time_from=np.full(n, "host", dtype=object),
        bed_celsius=celsius[band] + np.where(np.isfinite(celsius[band]), rng.normal(0.0, 0.5, n), 0.0),
        celsius_is_now=np.zeros(n, dtype=bool),
        plate=np.array([recipe.plates[i].name for i in plate], dtype=object),
        during_work=np.zeros(n, dtype=bool),
        stacks=stacks,
        notes=recipe.notes,
    )
    truth = Truth(
        model=model,
        recipe=recipe,
        days=days,
        heights=heights,
        form=_forms(recipe, x, y)[plate],
        x=x,
        y=y,
        spiking=spiking,
        band=band,
        steps=_true_steps(recipe, at),
        mm_per_week=_relative_drift(model, recipe),
    )
    return Synthetic(history, truth)


def dropped(made: Synthetic, share: float, rng: np.random.Generator) -> Synthetic:
    """The same history with a share of its readings lost at random (the first and the last stay).

    A step whose first reading is lost shows at the next one that is left.
    """
    n = len(made.history)
    keep = rng.random(n) >= share
    keep[[0, -1]] = True
    truth = made.truth
    place = np.cumsum(keep) - 1
    steps = []
    for step in truth.steps:
        left = int(np.flatnonzero(keep & (np.arange(n) >= step.reading))[0])
        steps.append(replace(step, reading=int(place[left]), at=from_epoch(made.history.taken_at[left])))
    lessened = replace(
        truth,
        days=truth.days[keep],
        heights=truth.heights[keep],
        form=truth.form[keep],
        spiking=truth.spiking[keep],
        band=truth.band[keep],
        steps=tuple(steps),
    )
    return Synthetic(made.history.select(keep), lessened)


def _days(recipe: Recipe, rng: np.random.Generator) -> Floats:
    step = 1.0 + recipe.irregular * (rng.exponential(1.0, recipe.readings) - 1.0)
    step = np.maximum(step, 0.02) * recipe.every_days
    step[0] = 0.0
    for gap in recipe.gaps:
        step[gap.reading] += gap.days
    days: Floats = np.cumsum(step)
    return days


def _heights(model: Model, recipe: Recipe, days: Floats) -> Floats:
    n, heights = len(days), np.zeros((len(days), len(model.screws)))
    for i, screw in enumerate(model.screws):
        rate = recipe.drift_mm_per_week.get(screw.name, 0.0) / WEEK_DAYS
        heights[:, i] = recipe.stands_mm.get(screw.name, 0.0) + rate * days
        for jump in recipe.jumps:
            if jump.screw == screw.name:
                heights[:, i] += np.where(np.arange(n) >= jump.reading, jump.mm, 0.0)
    return heights


def _bands(recipe: Recipe, rng: np.random.Generator) -> NDArray[np.intp]:
    share = np.array([band.share for band in recipe.bands])
    runs = -(-recipe.readings // recipe.band_run)
    drawn = rng.choice(len(share), size=runs, p=share / share.sum())
    return np.repeat(drawn, recipe.band_run)[: recipe.readings].astype(np.intp)


def _offsets(model: Model, recipe: Recipe) -> Floats:
    return np.array([[band.offset_mm.get(screw.name, 0.0) for screw in model.screws] for band in recipe.bands])


def _wandering(recipe: Recipe, screws: int, reference: int, rng: np.random.Generator) -> Floats:
    """AR(1) noise of every screw's height `[n, k]`; the reference, which is the last word on height, has none."""
    noise = correlated(recipe.readings, screws, recipe.correlation, rng, recipe.tail)
    noise[:, reference] = 0.0
    wandering: Floats = recipe.noise_mm * noise
    return wandering


def _stacks(
    model: Model, recipe: Recipe, probed: Floats, plate: NDArray[np.intp], rng: np.random.Generator
) -> tuple[tuple[Stack, ...], NDArray[np.bool_]]:
    n, stacks = len(probed), []
    ends = [round(share * n) for _, _, share in recipe.grids]
    spiking = rng.random(n) < recipe.spiking_share
    homing = rng.normal(0.0, 0.02, n)
    for (columns, rows, _), begin, end in zip(recipe.grids, [0, *ends[:-1]], ends, strict=True):
        index = np.arange(begin, end)
        x, y = np.linspace(10.0, 210.0, columns), np.linspace(10.0, 210.0, rows)
        z = (probed[index] @ _influence(model, x, y)).reshape(-1, rows, columns) + homing[index, None, None]
        z += _forms(recipe, x, y)[plate[index]] + rng.normal(0.0, recipe.point_noise_mm, z.shape)
        flat = z.reshape(len(index), -1)
        hit = np.flatnonzero(spiking[index])
        flat[hit, rng.integers(0, flat.shape[1], hit.size)] += recipe.spike_mm * rng.choice([-1.0, 1.0], hit.size)
        if index.size:
            stacks.append(Stack(x, y, z, index))
    return tuple(stacks), spiking


def _forms(recipe: Recipe, x: Floats, y: Floats) -> Floats:
    """Form `[plates, r, c]` of every plate with the frame's under it."""
    kind, mm = recipe.frame
    frame = mm * bent(kind, x, y)
    plates = []
    for plate in recipe.plates:
        own = plate.mm * bent(plate.kind, x, y)
        plates.append(frame + (own[::-1, ::-1] if plate.turned else own))
    return np.stack(plates)


def _influence(model: Model, x: Floats, y: Floats) -> Floats:
    screws = np.array(model.screws_xy)
    return influence(screws, model.reference_index, *grid_points(x, y))


def _true_steps(recipe: Recipe, at: Floats) -> tuple[TrueStep, ...]:
    jumps = [TrueStep(j.reading, from_epoch(at[j.reading]), j.screw, j.mm, j.teeth) for j in recipe.jumps]
    swaps = [TrueStep(p.reading, from_epoch(at[p.reading]), None, p.mm, None, plate=True) for p in recipe.plates[1:]]
    return tuple(sorted([*jumps, *swaps], key=lambda step: step.reading))


def _relative_drift(model: Model, recipe: Recipe) -> dict[str, float]:
    base = recipe.drift_mm_per_week.get(model.screws[model.reference_index].name, 0.0)
    names = [model.screws[i].name for i in model.movable]
    return {name: recipe.drift_mm_per_week.get(name, 0.0) - base for name in names}
