from __future__ import annotations

import tomllib
from itertools import combinations_with_replacement, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.judge.tooth_plans import SHIM_WORTH_MM, TIE_MM, TWIST, shim_plan, tooth_plan
from farmwatch.measure import grid_points, influence
from farmwatch.model import Model, Screw

REFERENCE = Path(__file__).parents[1] / "reference"
LAYOUTS = {
    2: [(10.0, 110.0), (210.0, 110.0)],
    3: [(20.0, 10.0), (200.0, 10.0), (110.0, 215.0)],
    4: [(10.0, 10.0), (210.0, 10.0), (210.0, 210.0), (10.0, 210.0)],
    5: [(10.0, 10.0), (210.0, 10.0), (210.0, 210.0), (10.0, 210.0), (110.0, 110.0)],
}
STOCK = (0.05, 0.1, 0.2)


def twist(screws, moves):
    """Largest distance of moves `[..., k]` from the best rigid bed, mm: what bends the bed."""
    raised = np.asarray(moves, dtype=np.float64)
    return np.abs(raised - raised @ influence(screws, 0, *np.asarray(screws, dtype=np.float64).T)).max(axis=-1)


def beds(k: int, side: int, seed: int, missing: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A tilted, bent, noisy bed on k screws, and its influence."""
    rng = np.random.default_rng(seed)
    axis = np.linspace(10.0, 210.0, side)
    x, y = grid_points(axis, axis)
    lift = influence(LAYOUTS[k], k - 1, x, y)
    z = rng.normal(0.0, rng.uniform(0.0, 1.0), 3) @ np.stack([np.ones(x.size), x / 200, y / 200])
    z = z + rng.normal(0.0, 0.3) * ((x - 110) / 100) ** 2 + rng.normal(0.0, rng.uniform(0.0, 0.1), x.size)
    z[rng.random(x.size) < missing] = np.nan
    return z, lift


def brute_force(z: np.ndarray, lift: np.ndarray, step: float, most: int) -> tuple[float, int]:
    """Least range over every whole setting with the last screw as the reference; and the fewest teeth that reach it."""
    k = lift.shape[0]
    settings_ = np.array([(*n, 0) for n in product(range(-most, most + 1), repeat=k - 1)], dtype=float)
    if k > 3:
        settings_ = settings_[twist(LAYOUTS[k], settings_) <= TWIST]
    here = np.isfinite(z)
    blocks = np.array_split(settings_, 9)
    ranges = np.concatenate([np.ptp(z[here] + block @ lift[:, here] * step, axis=1) for block in blocks])
    teeth = np.abs(settings_).sum(axis=1)
    return float(ranges.min()), int(teeth[ranges <= ranges.min() + TIE_MM].min())


class TestWholeTeeth:
    @given(
        k=st.sampled_from([2, 3]),
        side=st.integers(3, 8),
        step=st.sampled_from([0.05, 0.1, 0.4, 0.5]),
        seed=st.integers(0, 2**32 - 1),
        missing=st.sampled_from([0.0, 0.15]),
    )
    @settings(max_examples=60, deadline=None)
    def test_equals_brute_force(self, k: int, side: int, step: float, seed: int, missing: float) -> None:
        z, lift = beds(k, side, seed, missing)
        plan = tooth_plan(z, lift, step, k - 1)
        best, fewest = brute_force(z, lift, step, 40)
        assert plan.range_mm == pytest.approx(best, abs=1e-12)
        assert int(np.abs(plan.teeth).sum()) == fewest
        assert plan.teeth[k - 1] == 0
        assert np.nanmax(z + plan.teeth * step @ lift) - np.nanmin(z + plan.teeth * step @ lift) == pytest.approx(best)

    @given(k=st.sampled_from([4, 5]), step=st.sampled_from([0.1, 0.4]), seed=st.integers(0, 2**32 - 1))
    @settings(max_examples=20, deadline=None)
    def test_equals_brute_force_on_a_rigid_bed(self, k: int, step: float, seed: int) -> None:
        most = 5 if k == 4 else 3
        z, lift = beds(k, 5, seed)
        plan = tooth_plan(z, lift, step, k - 1, most_teeth=most)
        best, fewest = brute_force(z, lift, step, most)
        assert plan.range_mm == pytest.approx(best, abs=1e-12)
        assert int(np.abs(plan.teeth).sum()) == fewest
        assert twist(LAYOUTS[k], plan.teeth.astype(float)) <= TWIST

    @given(seed=st.integers(0, 2**32 - 1), side=st.integers(3, 7))
    @settings(max_examples=40, deadline=None)
    def test_mirroring_the_machine_mirrors_the_plan(self, seed: int, side: int) -> None:
        """Left and right change places: so do the teeth of the two front screws."""
        z, _ = beds(3, side, seed)
        axis = np.linspace(10.0, 210.0, side)
        x, y = grid_points(axis, axis)
        screws = [(20.0, 10.0), (200.0, 10.0), (110.0, 215.0)]
        mirrored_screws = [(220.0 - sx, sy) for sx, sy in screws]
        mirrored_z = z.reshape(side, side)[:, ::-1].ravel()
        plan = tooth_plan(z, influence(screws, 2, x, y), 0.4, 2)
        mirrored = tooth_plan(mirrored_z, influence(mirrored_screws, 2, x, y), 0.4, 2)
        assert mirrored.range_mm == pytest.approx(plan.range_mm, abs=1e-9)
        assert plan.teeth.tolist() == mirrored.teeth.tolist()

    def test_ties_go_to_fewer_teeth(self) -> None:
        """Half a tooth off: one tooth leaves the same range as none, and none is taken."""
        x = np.array([10.0, 110.0, 210.0])
        lift = influence(LAYOUTS[2], 1, x, np.full(3, 110.0))
        z = np.array([0.2, 0.1, 0.0])
        assert np.ptp(z - 0.4 * lift[0]) == pytest.approx(np.ptp(z))
        assert tooth_plan(z, lift, 0.4, 1).teeth.tolist() == [0, 0]

    def test_a_stack_is_planned_reading_by_reading(self) -> None:
        stack = np.stack([beds(3, 5, seed)[0] for seed in range(6)])
        lift = beds(3, 5, 0)[1]
        together = tooth_plan(stack, lift, 0.4, 2)
        assert together.teeth.shape == (6, 3)
        for z, teeth, width in zip(stack, together.teeth, together.range_mm, strict=True):
            alone = tooth_plan(z, lift, 0.4, 2)
            assert alone.teeth.tolist() == teeth.tolist()
            assert alone.range_mm == width

    def test_no_more_than_forty_teeth(self) -> None:
        _, lift = beds(3, 5, 0)
        plan = tooth_plan(np.array([-9.0, 0.0, 0.0]) @ lift, lift, 0.1, 2)
        assert plan.teeth.tolist()[0] == 40

    @pytest.mark.parametrize("step", [0.0, -0.4, float("nan")])
    def test_a_step_must_be_positive(self, step: float) -> None:
        z, lift = beds(3, 5, 0)
        with pytest.raises(ValueError, match="above 0"):
            tooth_plan(z, lift, step, 2)

    def test_one_tooth_too_many_at_one_corner_twists_a_bed_on_four_screws(self) -> None:
        assert twist(LAYOUTS[4], np.array([1.0, 0.0, 0.0, 0.0])) > TWIST
        z = np.array([-0.4, 0.0, 0.0, 0.0]) @ beds(4, 5, 0)[1]
        teeth = tooth_plan(z, beds(4, 5, 0)[1], 0.4, 3).teeth
        assert teeth[0] + teeth[2] == teeth[1] + teeth[3]


class TestFactsOfTheTrade:
    """Common practice, no source: figures that people who align such beds report."""

    @pytest.mark.parametrize(("front_left", "front_right", "range_mm"), [(1.15, 2.2, 2.8), (0.56, 1.02, 1.28)])
    def test_teeth_of_0_4_mm_bring_a_tilted_bed_near_0_2_or_0_3_and_no_closer(
        self, front_left: float, front_right: float, range_mm: float
    ) -> None:
        _, lift = beds(3, 7, 0)
        z = np.array([front_left, front_right, 0.0]) @ lift
        assert np.ptp(z) == pytest.approx(range_mm, abs=0.005)
        plan = tooth_plan(z, lift, 0.4, 2)
        assert 0.2 <= plan.range_mm <= 0.3
        assert plan.range_mm == pytest.approx(brute_force(z, lift, 0.4, 40)[0], abs=1e-12)
        assert plan.teeth[2] == 0

    def test_tooth_step_is_lead_over_teeth(self) -> None:
        """ISO 2904, designation rule Tr d × lead (P pitch), lead = pitch × starts; figures recomputed from it."""
        facts = tomllib.loads((REFERENCE / "screw_belt_geometry.toml").read_text(encoding="utf-8"))["recomputed"]
        screws = (Screw(name="a", x_mm=0, y_mm=0), Screw(name="b", x_mm=9, y_mm=0, reference=True))
        for key, lead, teeth in [
            ("rise_per_belt_tooth_lead8_16T_mm", 8.0, 16),
            ("rise_per_belt_tooth_lead8_20T_mm", 8.0, 20),
            ("rise_per_belt_tooth_lead2_20T_mm", 2.0, 20),
            ("rise_per_belt_tooth_lead4_16T_mm", 4.0, 16),
        ]:
            model = Model(name="tideframe-220", screws=screws, lead_mm=lead, pulley_teeth=teeth)
            assert model.tooth_step_mm == pytest.approx(facts[key])


class TestShims:
    @given(k=st.sampled_from([2, 3, 4]), seed=st.integers(0, 2**32 - 1))
    @settings(max_examples=40, deadline=None)
    def test_no_stock_setting_is_better_by_more_than_a_sheet_is_worth(self, k: int, seed: int) -> None:
        z, lift = beds(k, 5, seed)
        z = z * 0.4
        plan = shim_plan(z, lift, STOCK)
        sums = sorted({round(sum(some), 6) for n in range(5) for some in combinations_with_replacement(STOCK, n)})
        every = np.array([row for row in product(sums, repeat=k) if min(row) == 0.0])
        if k == 4:
            every = every[twist(LAYOUTS[4], every) <= TWIST * STOCK[0] + 1e-12]
        best = min(float(np.ptp(z + block @ lift, axis=1).min()) for block in np.array_split(every, 20))
        assert best - 1e-12 <= plan.range_mm <= best + SHIM_WORTH_MM + 1e-12
        assert np.ptp(z + plan.shims_mm @ lift) == pytest.approx(plan.range_mm)
        assert set(plan.shims_mm.tolist()) <= set(sums)
        assert plan.shims_mm.min() == 0.0

    def test_no_shim_where_none_is_worth_it(self) -> None:
        _, lift = beds(3, 5, 0)
        assert shim_plan(np.zeros(25), lift, STOCK).shims_mm.tolist() == [0.0, 0.0, 0.0]

    def test_the_reference_mount_may_be_shimmed(self) -> None:
        """Both front screws 0.2 mm high: a shim at the rear, none in front."""
        _, lift = beds(3, 5, 0)
        plan = shim_plan(np.array([0.2, 0.2, 0.0]) @ lift, lift, STOCK)
        assert plan.shims_mm.tolist() == [0.0, 0.0, 0.2]
        assert plan.range_mm == pytest.approx(0.0, abs=1e-9)

    def test_no_stock_no_shims(self) -> None:
        z, lift = beds(3, 5, 3)
        plan = shim_plan(z, lift, ())
        assert plan.shims_mm.tolist() == [0.0, 0.0, 0.0]
        assert plan.range_mm == pytest.approx(np.ptp(z))
