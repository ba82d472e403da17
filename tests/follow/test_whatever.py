"""Whatever a history holds, following answers: nothing raises, and what is null has a reason."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.follow.fleet import follow_fleet
from farmwatch.history import History, Note, Reading, Work
from farmwatch.measure import measure_histories
from farmwatch.mesh import Mesh
from farmwatch.model import Limits
from tests.synthetic import tideframe

START = datetime(2026, 1, 5, 6, tzinfo=UTC)
NOTES = ["belt", "pulley", "plate", "probe", "nozzle", "moved", "replaced", "other"]


def history(rng: np.random.Generator, n: int) -> History:
    """A machine to which anything may have happened."""
    times = np.sort(rng.choice([0.0, 0.5, 1.0, 40.0, 900.0], n) * rng.choice([0.0, 1.0, 30.0]) + rng.integers(0, 20, n))
    quiet = rng.random() < 0.3
    rows = []
    for i, day in enumerate(times):
        columns, lines = rng.integers(3, 6, 2) if rng.random() < 0.2 else (4, 4)
        x = np.linspace(rng.choice([0.0, 10.0]), rng.choice([100.0, 210.0]), columns)
        z = np.zeros((lines, columns)) if quiet else rng.normal(0, rng.choice([0.001, 0.01, 1.0]), (lines, columns))
        if rng.random() < 0.3:
            z[rng.integers(lines), rng.integers(columns)] = np.nan
        at = START + timedelta(days=float(day))
        rows.append(
            Reading(
                machine="m", taken_at=at, seen_at=at, time_from="unknown" if i == 0 and rng.random() < 0.5 else "seen",
                mesh=Mesh(x, np.linspace(10, 210, lines), z), bed_celsius=rng.choice([None, 20.0, 60.0, 110.0]),
                celsius_is=str(rng.choice(["at-probing", "now"])), plate=rng.choice([None, "A", "A turned", "B"]),
                during_work=bool(rng.random() < 0.1),
            )
        )  # fmt: skip
    when = [START + timedelta(days=float(day)) for day in rng.uniform(-5, 60, 3)]
    notes = tuple(Note(machine="m", at=at, what=str(rng.choice(NOTES)), text="turned") for at in when)
    works = (Work(ticket=1, start=when[0], end=when[0] + timedelta(hours=2)), Work(ticket=2, start=when[1]))
    return History.of("m", rows, notes if rng.random() < 0.6 else (), works if rng.random() < 0.6 else ())


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 100_000))
def test_nothing_raises_and_what_is_null_has_a_reason(seed):
    rng = np.random.default_rng(seed)
    sizes = [*rng.integers(0, 25, 4), 0, 1, 2]
    models = [
        replace(
            tideframe(screws=int(rng.integers(2, 5))),
            judge_from_celsius=rng.choice([None, 45.0]),
            bed=(0.0, 0.0, 220.0, 220.0) if rng.random() < 0.5 else None,
            drive=str(rng.choice(["belt", "free"])),
        )
        for _ in sizes
    ]
    histories = [history(rng, int(n)) for n in sizes]
    at = START + timedelta(days=float(rng.choice([-1.0, 30.0, 2000.0])))
    found = follow_fleet(
        measure_histories(histories, models, at), Limits(), at, [np.random.default_rng(i) for i in range(len(sizes))]
    )
    for followed in found:
        assert all(step.at <= at and np.isfinite(step.mm) for step in followed.steps)
        if followed.drift is not None:
            assert np.isfinite(list(followed.drift.mm_per_week.values())).all()
        if followed.forecast is not None:
            days = [followed.forecast.p10, followed.forecast.p50, followed.forecast.p90]
            assert 0.0 <= followed.forecast.chance <= 1.0
            assert days == sorted(days, key=lambda day: np.inf if day is None else day)
