"""A simulated technician who follows the words exactly, at a machine that alone knows its true step and sense."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np

from farmwatch.judge import tooth_plan
from farmwatch.judge.learned import StepBelief, first_belief
from farmwatch.judge.words import move_sentence, screw_words
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Limits, Model, Screw
from farmwatch.realign import Turn, bed_state, careful_after, compare, next_move

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
AXIS = np.linspace(10, 210, 7)
NAMES = ("front-left", "front-right", "rear")
# The last of each is the reference.
SCREWS: dict[int, dict[str, tuple[float, float]]] = {
    2: {"left": (20.0, 110.0), "right": (200.0, 110.0)},
    3: {"front-left": (20.0, 10.0), "front-right": (200.0, 10.0), "rear": (110.0, 215.0)},
    4: {
        "front-left": (15.0, 12.0),
        "front-right": (205.0, 12.0),
        "rear-right": (205.0, 208.0),
        "rear-left": (15.0, 208.0),
    },
}
WORDS = re.compile(
    r"(?P<screw>[a-z ]+): (?:(?:up|down) )?(?P<count>\d+) (?:tooth|teeth),? (?P<way>clockwise|anticlockwise)"
    r" seen from below"
)


def model_of(nominal_mm: float, clockwise: str | None = "raises", screws: int = 3) -> Model:
    where = SCREWS[screws]
    return Model(
        name="tideframe-220",
        screws=tuple(
            Screw(name=name, x_mm=x, y_mm=y, reference=name == list(where)[-1]) for name, (x, y) in where.items()
        ),
        lead_mm=nominal_mm * 20,
        pulley_teeth=20,
        clockwise=clockwise,  # type: ignore[arg-type]
    )


@dataclass
class Bench:
    """The machine: its true heights at the screws, its plate, its step per tooth and sense."""

    model: Model
    heights: Floats
    plate: Floats
    step_mm: float
    raises: bool
    noise_mm: float
    rng: np.random.Generator
    turned: dict[str, int] = field(default_factory=dict)

    @property
    def shares(self) -> Floats:
        return influence(self.model.screws_xy, self.model.reference_index, *grid_points(AXIS, AXIS))

    def bed(self, heights: Floats | None = None) -> Floats:
        return self.plate + (self.heights if heights is None else heights) @ self.shares

    def true_range(self) -> float:
        return float(np.ptp(self.bed()))

    def mesh(self) -> Mesh:
        noisy = self.bed() + self.rng.normal(0.0, self.noise_mm, AXIS.size**2)
        return Mesh.accept(AXIS, AXIS, noisy.reshape(AXIS.size, AXIS.size))

    def best(self) -> float:
        """The least noise-free range that whole teeth of the true step leave, by trying around the level bed."""
        ideal = np.round(-(self.heights - self.heights[-1]) / self.step_mm).astype(int)
        if len(ideal) > 3:
            # A fourth screw moves the bed on the same plane: only what twists no bed is a setting.
            reference = self.model.reference_index
            return float(tooth_plan(self.bed(), self.shares, self.step_mm, reference).range_mm)
        tries = product(*(range(one - 4, one + 5) for one in ideal[:-1]))
        lifts = np.array([[*teeth, 0] for teeth in tries], dtype=float) * self.step_mm
        beds = self.bed() + lifts @ self.shares
        return float(np.ptp(beds, axis=1).min())

    @property
    def names(self) -> list[str]:
        return [screw.name for screw in self.model.screws]

    def turn(self, sentence: str, *, wrong_way: bool = False) -> None:
        """Do what the sentence says, and nothing else; or do it the wrong way round."""
        said = WORDS.fullmatch(sentence)
        assert said is not None, sentence
        index = [screw_words(name) for name in self.names].index(said["screw"])
        clockwise = int(said["count"]) * (1 if (said["way"] == "clockwise") != wrong_way else -1)
        name = self.names[index]
        self.turned[name] = self.turned.get(name, 0) + abs(clockwise)
        self.heights[index] += clockwise * self.step_mm * (1 if self.raises else -1)


@dataclass(frozen=True)
class Outcome:
    meshes: int
    off_best_mm: float
    """At the fourth mesh, or at the end where that was sooner; noise-free."""
    needless: int
    touched_reference: bool
    belief: StepBelief
    most_astray: int = 0
    """Most teeth that one move took a screw the wrong way."""
    astray_after_slip: int = 0
    """The same without the moves made the wrong way round by hand."""
    ends_off_mm: float = 0.0
    """Off the best at the end, noise-free."""
    ended: bool = True
    """Whether the coach came to an end within the meshes allowed."""
    worst_range_mm: float = 0.0
    """The largest range on the way, as a share of the first."""


def words_of(turn: Turn) -> str:
    """The turn as it is told."""
    round_ = "clockwise" if turn.clockwise else "anticlockwise"
    if not turn.way_known:
        return f"{screw_words(turn.screw)}: {abs(turn.teeth or 0)} tooth {round_} seen from below"
    sense = "raises" if ((turn.teeth or 0) > 0) == turn.clockwise else "lowers"
    return move_sentence(turn.screw, turn.teeth, turn.rise_mm, sense)  # type: ignore[arg-type]


def realigned(
    bench: Bench,
    most: int = 8,
    *,
    answers: bool = True,
    wrong: Collection[int] = (),
    model_sense: str | None = None,
) -> Outcome:
    """Mesh, read the words, turn, mesh again, until the coach says it is finished.

    answers: whether the technician is there to be asked. wrong: the moves (from 0) made the wrong way round.
    model_sense: what a clockwise turn does at another machine of the model.
    """
    other = ("tideframe-01", model_sense) if model_sense else None
    belief, limits = first_belief(bench.model, other), Limits()  # type: ignore[arg-type]
    best, off, needless, astray, slipped = bench.best(), None, 0, 0, 0
    before, turns, careful, ended = None, (), False, False
    first_range = worst_range = bench.true_range()
    for meshes in range(1, most + 1):
        look = bed_state(bench.mesh(), bench.model, AT + timedelta(minutes=8 * meshes), bench.noise_mm)
        if before is not None:
            found = compare(before, look, turns, bench.model, belief)
            if answers and any(one.to_ask for one in found.screws):
                said = {one.screw: meshes - 2 not in wrong for one in found.screws if one.to_ask}
                found = compare(before, look, turns, bench.model, belief, said)
            belief, careful = found.belief, careful_after(careful, found)
        if meshes == 4:
            off = bench.true_range() - best
        advice = next_move(look, bench.model, limits, belief, meshes - 1, careful=careful)
        if advice.kind == "finished":
            ended = True
            break
        was, stood = bench.true_range(), bench.heights.copy()
        for turn in advice.turns:
            bench.turn(words_of(turn), wrong_way=meshes - 1 in wrong)
        for turn in advice.turns:
            index = bench.names.index(turn.screw)
            went = (bench.heights[index] - stood[index]) / bench.step_mm * np.sign(turn.teeth or 0)
            if meshes - 1 in wrong:
                slipped = max(slipped, round(-went))
            else:
                astray = max(astray, round(-went))
        needless += advice.kind == "turn" and bench.true_range() > was - 0.001
        before, turns = look, advice.turns
        worst_range = max(worst_range, bench.true_range())
    return Outcome(
        meshes=meshes,
        off_best_mm=bench.true_range() - best if off is None else off,
        needless=needless,
        touched_reference=bench.names[-1] in bench.turned,
        belief=belief,
        most_astray=max(astray, slipped),
        astray_after_slip=astray,
        ends_off_mm=bench.true_range() - best,
        ended=ended,
        worst_range_mm=worst_range / first_range,
    )


def misaligned(
    rng: np.random.Generator,
    *,
    other_way: bool = False,
    off_nominal: float = 0.0,
    screws: int = 3,
    step_is: float = 1.0,
) -> Bench:
    """A machine whose range is 0.3 to 3 mm by whole teeth, with a plate of its own form.

    step_is: its true step as a multiple of the one its model says (a lead or pulley entered wrong).
    """
    nominal = float(rng.uniform(0.1, 0.5))
    model = model_of(nominal, screws=screws)
    xx, yy = grid_points((AXIS - 110) / 100, (AXIS - 110) / 100)
    plate = rng.normal(0, 0.015) * xx**2 + rng.normal(0, 0.015) * yy**2 + rng.normal(0, 0.015) * xx * yy
    step = nominal * step_is * (1 + off_nominal * float(rng.uniform(-1, 1)))
    bench = Bench(model, np.zeros(screws), plate, step, not other_way, 0.008, rng)
    while not 0.3 <= bench.true_range() <= 3.0:
        teeth = rng.integers(-round(3 / nominal), round(3 / nominal) + 1, screws - 1)
        rest = rng.uniform(-0.5, 0.5, screws - 1) * nominal
        bench.heights = np.array([*(teeth * nominal + rest), 0.0])
    return bench
