"""Following where readings come in bunches, plates lie in turn and hosts stamp one mesh anew: known truth.

    python -m tests.benchmarks.bench_follow_occasions [--machines 300] [--seeds 1 2]

Everything is invented, nothing is timed, each figure stands with its standard error. A machine's height at a screw is
its true line, plus what the day brings (one draw a day: how the plate was laid, how long it was hot), plus what the
reading brings.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from farmwatch.demo import bent
from farmwatch.follow import HistoryFindings, follow_fleet
from farmwatch.history import History, Stack
from farmwatch.measure import grid_points, influence, measure_histories
from farmwatch.mesh import Floats
from farmwatch.model import Limits
from tests.synthetic import tideframe

LIMITS = Limits()
END = datetime(2026, 11, 23, 6, tzinfo=UTC)
MODEL = tideframe()
AXIS: Floats = np.linspace(10.0, 210.0, 7)
SHARES: Floats = influence(MODEL.screws_xy, MODEL.reference_index, *grid_points(AXIS, AXIS))
TOOTH = 0.4
KINDS = ("bowl", "dome", "saddle", "wave")


@dataclass(frozen=True, eq=False)
class Played:
    """One machine's history, the day (from its end, negative) and screw of a tooth jump, and when the range crosses."""

    history: History
    years: float
    jump: tuple[float, str, int] | None = None
    crosses_after: float | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    name: str
    value: float
    error: float
    wanted: str

    def line(self) -> str:
        return f"  {self.name:<72} {self.value:8.3f} ± {self.error:.3f}   wanted {self.wanted}"


def share(name: str, hits: float, of: float, wanted: str) -> Figure:
    p = hits / max(of, 1)
    return Figure(f"{name} (of {of:.0f})", p, math.sqrt(max(p * (1 - p), 0.25 / max(of, 1)) / max(of, 1)), wanted)


def rate(name: str, count: float, years: float, wanted: str) -> Figure:
    return Figure(name, count / years, math.sqrt(max(count, 1.0)) / years, wanted)


def sessions(rng: np.random.Generator, days: float, apart: float, most: int) -> Floats:
    """Days `[n]`, up to 0, of bunches of 1 to `most` readings, bunches `apart` days apart on average."""
    starts = [-1.0]
    while starts[-1] > -days:
        starts.append(starts[-1] - max(1.0, round(rng.exponential(apart))))
    found = [
        begin - 0.4 + np.sort(rng.uniform(0.0, 0.35, int(rng.integers(max(1, most // 2), most + 1))))
        for begin in starts[::-1]
    ]
    return np.concatenate(found)


def play(
    rng: np.random.Generator,
    days: Floats,
    *,
    day_sd: float = 0.0,
    reading_sd: float = 0.006,
    drift: Floats | None = None,
    jump: tuple[int, int, int] | None = None,
    plates: Sequence[tuple[str, Floats, Floats]] = (),
    plate_of: np.ndarray | None = None,
    stands: Floats | None = None,
    form: Floats | None = None,
    repeats: float = 0.0,
) -> History:
    """drift: mm a day at the movable screws. jump: (first reading after, screw, teeth). plates: name, wedge at the
    screws `[k]`, form `[points]`; plate_of: which lies at each reading. repeats: share of readings stamped anew."""
    n, k = days.size, len(MODEL.screws)
    heights = np.zeros((n, k))
    heights[:, :2] += (0.0 if stands is None else stands) + days[:, None] * (np.zeros(2) if drift is None else drift)
    day = np.unique(np.floor(days), return_inverse=True)[1]
    heights[:, :2] += day_sd * rng.standard_normal((day.max() + 1, 2))[day]
    heights[:, :2] += reading_sd * rng.standard_normal((n, 2))
    if jump is not None:
        first, screw, teeth = jump
        heights[first:, screw] += TOOTH * teeth
    form = some_form(rng) if form is None else form
    z = heights @ SHARES + form + rng.normal(0.0, 0.004, (n, 49)) + rng.normal(0.0, 0.02, (n, 1))
    names = np.full(n, None, dtype=object)
    if plates:
        assert plate_of is not None
        for p, (name, wedge, own) in enumerate(plates):
            z[plate_of == p] += wedge @ SHARES + own
            names[plate_of == p] = name
    at = END.timestamp() + days * 86400.0
    keep = np.arange(n)
    if repeats:
        again = np.flatnonzero(rng.random(n) < repeats)
        keep = np.sort(np.concatenate([keep, again]))
        at = at[keep] + np.where(np.diff(keep, prepend=-1) == 0, 120.0, 0.0)
    m = keep.size
    return History(
        machine="heron-01",
        taken_at=at,
        seen_at=at,
        time_from=np.full(m, "host", dtype=object),
        bed_celsius=np.full(m, np.nan),
        celsius_is_now=np.zeros(m, dtype=bool),
        plate=names[keep],
        during_work=np.zeros(m, dtype=bool),
        stacks=(Stack(AXIS, AXIS, z[keep].reshape(m, 7, 7), np.arange(m)),),
    )


def some_form(rng: np.random.Generator, mm: float = 0.04) -> Floats:
    """Heights `[points]` of a bent bed."""
    return mm * bent(str(rng.choice(KINDS)), AXIS, AXIS).ravel()


def crossing(form: Floats, now: Floats, drift: Floats) -> float | None:
    """First day from now on which the noiseless range passes the limit; 0 if past now; None within 182 days not."""
    days = np.arange(0.0, 182.01, 0.1)
    lift = np.zeros((days.size, len(MODEL.screws)))
    lift[:, :2] = now + days[:, None] * drift
    over = np.flatnonzero(np.ptp(lift @ SHARES + form, axis=1) > LIMITS.usable_mm)
    return float(days[over[0]]) if over.size else None


def follow(made: Sequence[Played], seed: int) -> list[HistoryFindings]:
    found: list[HistoryFindings] = []
    for begin in range(0, len(made), 100):
        some = [one.history for one in made[begin : begin + 100]]
        rngs = [np.random.default_rng([seed, begin, i]) for i in range(len(some))]
        found += follow_fleet(measure_histories(some, [MODEL] * len(some), END), LIMITS, END, rngs)
    return found


Days = Callable[[np.random.Generator], Floats]

RHYTHMS: dict[str, Days] = {
    "10 a day, weeks apart": lambda rng: sessions(rng, 365.0, 21.0, 10),
    "3 to 6 a day, most days": lambda rng: sessions(rng, 120.0, 1.5, 6),
    "one a day": lambda rng: np.sort(rng.uniform(-120.0, -0.01, 100)),
}


def bunched(machines: int, seed: int, rhythm: str, day_sd: float, reading_sd: float) -> Iterator[Figure]:
    """False steps and alarms of still machines, jumps found and named, and what forecasts hold."""
    rng = np.random.default_rng([seed, 1])
    of_days = RHYTHMS[rhythm]
    word = f"{rhythm}, sd {day_sd:g} of days, {reading_sd:g} of readings"
    made = []
    for _ in range(machines):
        days = of_days(rng)
        made.append(Played(play(rng, days, day_sd=day_sd, reading_sd=reading_sd), float(-days[0]) / 365.0))
    found = follow(made, seed)
    years = sum(one.years for one in made)
    yield rate(f"{word}: false steps a machine-year", sum(len(one.steps) for one in found), years, "<= 0.1")
    yield share(f"{word}: false suspicion", sum(one.suspected_step is not None for one in found), machines, "<= 0.02")
    told = [one.drift for one in found if one.drift is not None]
    yield share(f"{word}: drift falsely significant", sum(one.significant for one in told), len(told), "<= 0.04")
    yield from jumping(machines, seed, word, of_days, (day_sd, reading_sd))
    yield from drifting(machines, seed, word, of_days, (day_sd, reading_sd))


def jumping(machines: int, seed: int, word: str, of_days: Days, sds: tuple[float, float]) -> Iterator[Figure]:
    rng = np.random.default_rng([seed, 2])
    made = []
    while len(made) < machines:
        days = of_days(rng)
        starts = np.flatnonzero(np.diff(np.floor(days), prepend=np.inf) != 0)
        if starts.size < 8:
            continue
        first, screw, teeth = int(rng.choice(starts[3:-3])), int(rng.integers(2)), int(rng.choice([-1, 1]))
        history = play(rng, days, day_sd=sds[0], reading_sd=sds[1], jump=(first, screw, teeth))
        made.append(Played(history, 0.0, (float(history.taken_at[first]), MODEL.screws[screw].name, teeth)))
    found = follow(made, seed)
    hits = [_hit(one, seen) for one, seen in zip(made, found, strict=True)]
    yield share(f"{word}: jumps found at the right reading", sum(hit is not None for hit in hits), machines, ">= 0.98")
    named = [
        hit is not None and (hit.name, hit.screw, hit.teeth) == ("tooth-jump", *one.jump[1:])
        for one, hit in zip(made, hits, strict=True)
    ]
    yield share(f"{word}: jumps found and named right", sum(named), machines, ">= 0.95")


def _hit(one: Played, seen: HistoryFindings):
    assert one.jump is not None
    return next((step for step in seen.steps if abs(step.at.timestamp() - one.jump[0]) < 1e-3), None)


def drifting(machines: int, seed: int, word: str, of_days: Days, sds: tuple[float, float]) -> Iterator[Figure]:
    rng = np.random.default_rng([seed, 3])
    made = []
    for _ in range(3 * machines):
        days = of_days(rng)
        way = rng.normal(size=2)
        drift = rng.uniform(0.003, 0.014) / 7.0 * way / np.hypot(*way)
        stands = rng.uniform(-0.05, 0.05, 2)
        form = some_form(rng)
        history = play(rng, days, day_sd=sds[0], reading_sd=sds[1], drift=drift, stands=stands, form=form)
        day = crossing(form, stands, drift)
        if day is not None and day > 0.0:
            made.append(Played(history, 0.0, None, day))
    yield _held(f"{word}: 10-90 % interval holds the true day", made, seed)


def _held(name: str, made: Sequence[Played], seed: int) -> Figure:
    held = told = 0
    for one, seen in zip(made, follow(made, seed), strict=True):
        if seen.forecast is None:
            continue
        told += 1
        low = math.inf if seen.forecast.p10 is None else seen.forecast.p10
        high = math.inf if seen.forecast.p90 is None else seen.forecast.p90
        held += low - 1.0 <= one.crosses_after <= high + 1.0
    return share(name, held, told, "0.72 to 0.88")


def plates_in_turn(machines: int, seed: int, plates: int, run: int) -> Iterator[Figure]:
    """Named plates in turn for about `run` readings, each with a wedge of up to 0.05 mm and a form of its own."""
    word = f"{plates} plates in turn, {run} readings each"

    def laid(rng: np.random.Generator, n: int):
        some = [
            (f"plate {chr(65 + p)}", np.r_[rng.uniform(-0.05, 0.05, 2), 0.0], some_form(rng, rng.uniform(0.01, 0.06)))
            for p in range(plates)
        ]
        which = np.concatenate([np.full(int(rng.integers(1, 2 * run + 1)), rng.integers(plates)) for _ in range(n)])[:n]
        return some, which

    rng = np.random.default_rng([seed, 4])
    made, jumps, false = [], [], 0
    for i in range(2 * machines):
        n = int(rng.integers(60, 140))
        days = np.sort(rng.uniform(-1.2 * n, -0.01, n))
        some, which = laid(rng, n)
        jump = (int(rng.integers(6, n - 6)), int(rng.integers(2)), int(rng.choice([-1, 1]))) if i % 2 else None
        history = play(rng, days, jump=jump, plates=some, plate_of=which)
        told = None if jump is None else (float(history.taken_at[jump[0]]), MODEL.screws[jump[1]].name, jump[2])
        made.append(Played(history, 1.2 * n / 365.0, told))
    found = follow(made, seed)
    named = 0
    for one, seen in zip(made, found, strict=True):
        if one.jump is None:
            false += sum(step.name != "plate-change" for step in seen.steps)
            jumps.append(len(seen.steps))
            continue
        hit = _hit(one, seen)
        named += hit is not None and (hit.name, hit.screw, hit.teeth) == ("tooth-jump", *one.jump[1:])
    years = sum(one.years for one in made if one.jump is None)
    yield share(f"{word}: jumps found and named right", named, machines, ">= 0.95")
    yield rate(f"{word}: false steps a machine-year", false, years, "<= 0.1")
    yield rate(f"{word}: plate changes told a machine-year (for the record)", sum(jumps) - false, years, "few")
    rng = np.random.default_rng([seed, 5])
    made = []
    for _ in range(3 * machines):
        n = int(rng.integers(60, 140))
        days = np.sort(rng.uniform(-1.2 * n, -0.01, n))
        way = rng.normal(size=2)
        drift = rng.uniform(0.003, 0.014) / 7.0 * way / np.hypot(*way)
        stands = rng.uniform(-0.05, 0.05, 2)
        some, which = laid(rng, n)
        form = some_form(rng)
        history = play(rng, days, drift=drift, stands=stands, form=form, plates=some, plate_of=which)
        _, wedge, own = some[int(which[-1])]
        day = crossing(form + own, stands + wedge[:2], drift)
        if day is not None and day > 0.0:
            made.append(Played(history, 0.0, None, day))
    yield _held(f"{word}: 10-90 % interval holds the true day", made, seed)


def stamped_anew(machines: int, seed: int) -> Iterator[Figure]:
    """Half of all meshes come a second time, two minutes later."""
    rng = np.random.default_rng([seed, 6])
    made = []
    for _ in range(machines):
        days = np.sort(rng.uniform(-120.0, -0.01, 80))
        made.append(Played(play(rng, days, repeats=0.5), 120.0 / 365.0))
    found = follow(made, seed)
    steps = sum(len(one.steps) for one in found)
    yield rate("half of the meshes stamped anew: false steps a machine-year", steps, 120.0 / 365.0 * machines, "<= 0.1")
    told = [one.drift for one in found if one.drift is not None]
    yield share(
        "half of the meshes stamped anew: drift falsely significant",
        sum(one.significant for one in told),
        len(told),
        "<= 0.04",
    )


def figures(machines: int, seed: int) -> Iterator[Figure]:
    yield from bunched(machines, seed, "10 a day, weeks apart", 0.015, 0.002)
    yield from bunched(machines, seed, "10 a day, weeks apart", 0.015, 0.006)
    yield from bunched(machines, seed, "3 to 6 a day, most days", 0.015, 0.003)
    yield from bunched(machines, seed, "3 to 6 a day, most days", 0.0, 0.006)
    yield from bunched(machines, seed, "one a day", 0.0, 0.006)
    for plates, run in ((2, 1), (3, 5), (2, 15)):
        yield from plates_in_turn(machines, seed, plates, run)
    yield from stamped_anew(machines, seed)


def main(argv: Sequence[str] | None = None) -> int:
    """Print every figure for every seed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    wanted = parser.parse_args(argv)
    for seed in wanted.seeds:
        print(f"seed {seed}: {wanted.machines} machines a figure", flush=True)
        for figure in figures(wanted.machines, seed):
            print(figure.line(), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
