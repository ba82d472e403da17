"""How far the proof of each repair has come: what the probings since the work say, and what moved since.

Where a guided realignment was recorded, its last mesh tells how the machine stood when the work ended: the proof is
measured from there, not from the plan that was made before the first move.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from farmwatch.config import Settings
from farmwatch.eligibility import find_judgeable, since_replaced, why_not_judged, without_repeats
from farmwatch.follow import SCREWS_OF_A_PLANE, explain_move
from farmwatch.history import History
from farmwatch.judge import Assessment
from farmwatch.judge.words import screw_words
from farmwatch.measure import measure_stack
from farmwatch.mesh import Floats, Mesh
from farmwatch.model import Model
from farmwatch.store import Move, Store
from farmwatch.tickets.proving import LEAST_APART_SECONDS, Passed, RepairVerdict, in_band, judge_repair
from farmwatch.tickets.ticket import Ticket
from farmwatch.times import from_epoch

__all__ = ["NOT_AS_PLANNED", "PassedOver", "Proof", "proofs"]

DEFAULT_SIGMA_MM = 0.01
# A screw that stands off by less may have settled, or the probe has.
LEAST_MOVE_MM, MOVE_SD = 0.05, 3.0
# A rise further from whole teeth than this share of a step is told in mm.
BETWEEN_SHARE = 0.25
NOT_AS_PLANNED = "the work did not bring what was planned."
_NUMBERS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PassedOver:
    """A probing that did not count, and why in words."""

    at: datetime
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What is known of one repair that waits for its proof; ranges mm."""

    verdict: RepairVerdict
    wanted: int
    """How many probings prove it."""
    next_from: datetime | None
    """From when on the next probing counts; None while none has counted."""
    passed_over: tuple[PassedOver, ...]
    celsius: float | None
    """The bed temperature to probe near; None: any."""
    now_mm: float | None
    """The range at the last probing that counted, else at the end of the guided work; None where neither is."""
    changed: str
    """Once it came back: how it stood before and what moved since, a sentence; empty where no mesh tells."""
    did: str
    """Once it came back: what the work moved, beside what was planned; empty where no mesh from before it tells."""


def proofs(
    settings: Settings,
    store: Store,
    tickets: Iterable[Ticket],
    at: datetime,
    judged: Mapping[str, Assessment] | None = None,
) -> dict[int, Proof]:
    """The proof of every ticket in `proving` as it stands at `at` (aware), by number; a host's ticket has none.

    judged: the machines by name as they are judged at `at`; from these come the noise of a range and its share in it,
    0 where one is not given. Raises StoreError.
    """
    models = {machine.name: settings.models[machine.model] for machine in settings.machines}
    waiting = [
        t for t in tickets if t.phase == "proving" and t.cause != "host" and t.machine in models and t.work_until
    ]
    if not waiting:
        return {}
    names = sorted({ticket.machine for ticket in waiting})
    histories, out = store.histories(names, at, settings.read_by), store.spans_out(at)
    moves: dict[str, list[Move]] = defaultdict(list)
    for move in store.moves(names, at, settings.read_by):
        moves[move.machine].append(move)
    found: dict[int, Proof] = {}
    for ticket in waiting:
        history = histories.get(ticket.machine)
        if history is not None:
            mine = ticket.work_moves(moves[ticket.machine])
            one = (judged or {}).get(ticket.machine)
            known = replace(without_repeats(since_replaced(history)), out_of_service=out.get(ticket.machine, ()))
            case = _Repair(settings, ticket, models[ticket.machine], known, mine, one)
            found[ticket.number] = _proof(case)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Repair:
    settings: Settings
    ticket: Ticket
    model: Model
    history: History
    moves: Sequence[Move]
    judged: Assessment | None

    def ranges(self) -> Floats:
        """The ranges of its history as they are judged, mm."""
        raw = self.history.ranges()
        return raw if self.judged is None else raw - self.judged.range_share_mm


def _proof(case: _Repair) -> Proof:
    ticket, history = case.ticket, case.history
    assert ticket.work_until is not None
    celsius = history.bed_celsius.copy()
    celsius[history.celsius_is_now] = float("nan")
    ranges = case.ranges()
    good = find_judgeable(history, case.model)
    end = _end_of_work(case, good, celsius)
    predicted = ticket.predicted_mm
    if predicted is not None and end is not None:
        # Work that ended better than its plan is held to how it ended; none is held to less than its plan.
        predicted = min(predicted, float(ranges[end]))
    wanted = case.settings.tickets.probings_to_prove
    verdict = judge_repair(
        history.taken_at,
        ranges,
        celsius,
        good & ~history.during_work,
        since=ticket.work_until.timestamp(),
        usable_mm=case.settings.limits.usable_mm,
        predicted_mm=predicted,
        sd_mm=(case.judged.range_sd_mm or 0.0) if case.judged else 0.0,
        band_celsius=ticket.bed_celsius,
        probings=wanted,
    )
    last = verdict.index[-1] if verdict.index else None
    newest = last if last is not None else end
    apart = timedelta(seconds=LEAST_APART_SECONDS)
    return Proof(
        verdict=verdict,
        wanted=wanted,
        next_from=None if last is None else from_epoch(history.taken_at[last]) + apart,
        passed_over=tuple(
            PassedOver(at=from_epoch(history.taken_at[i]), why=_passed_words(case, i, why))
            for i, why in verdict.passed_over
        ),
        celsius=ticket.bed_celsius,
        now_mm=None if newest is None else float(ranges[newest]),
        changed=_changed(case, ranges, verdict, end) if verdict.says == "came-back" else "",
        did=_did(case, good, verdict) if verdict.says == "came-back" else "",
    )


def _end_of_work(case: _Repair, good: NDArray[np.bool_], celsius: Floats) -> int | None:
    """The last mesh of the guided work; None where none was recorded, moves were told after it, or it was colder."""
    until = case.ticket.work_until
    seen = [move.after_at for move in case.moves if move.after_at is not None]
    if not seen or len(seen) < len(case.moves) or until is None:
        return None
    at, history = case.history.taken_at, case.history
    inside = (at >= max(seen).timestamp() - 1e-3) & (at <= until.timestamp())
    places = np.flatnonzero(good & history.during_work & inside)
    if not places.size or not in_band(float(celsius[places[-1]]), case.ticket.bed_celsius):
        return None
    return int(places[-1])


def _passed_words(case: _Repair, i: int, why: Passed) -> str:
    if why == "too-soon":
        return "less than an hour after the one that counted"
    if why == "other-band":
        return f"the bed was at {case.history.bed_celsius[i]:.0f} °C, not near {case.ticket.bed_celsius:.0f} °C"
    return why_not_judged(case.history, i, case.model) or "it was taken during work"


def _changed(case: _Repair, ranges: Floats, verdict: RepairVerdict, end: int | None) -> str:
    """What moved between the last mesh that spoke for the work and the one that sent it back."""
    bad = verdict.index[-1]
    before, when = end, "when the work ended"
    if before is None and len(verdict.index) > 1:
        before, when = verdict.index[-2], "at the probing before"
    if before is None:
        return ""
    stood = f"It stood at {ranges[before]:.2f} mm {when}"
    moved = _moved(case.model, case.history.mesh(before), case.history.mesh(bad))
    if moved:
        said = [f"{screw_words(name)} has {'risen' if mm > 0 else 'fallen'} {abs(mm):.2f} mm" for name, mm in moved]
        return f"{stood}; {' and '.join(said)} since."
    if ranges[before] > verdict.bound_mm:
        return f"{stood}: {NOT_AS_PLANNED}"
    return f"{stood}; no screw has moved since that the probe could tell."


def _did(case: _Repair, good: NDArray[np.bool_], verdict: RepairVerdict) -> str:
    """What the work moved, from the last mesh before it to the one that sent it back: front left came up one tooth."""
    start, history = case.ticket.work_from, case.history
    if start is None:
        return ""
    earlier = np.flatnonzero(good & ~history.during_work & (history.taken_at <= start.timestamp()))
    if not earlier.size:
        return ""
    planned = {name: teeth for name, teeth in case.ticket.plan.get("teeth", {}).items() if teeth}
    step = case.model.tooth_step_mm
    told = {name: teeth * step for name, teeth in planned.items()} if step else {}
    moved = dict(_moved(case.model, history.mesh(int(earlier[-1])), history.mesh(verdict.index[-1]), told))
    if not moved:
        return f"The work moved no screw{f'; {_planned_words(planned)}' if planned else ''}."
    return " ".join(
        _did_words(screw.name, moved.get(screw.name), planned.get(screw.name, 0), step)
        for screw in case.model.screws
        if screw.name in moved or screw.name in planned
    )


def _did_words(name: str, mm: float | None, planned: int, step_mm: float | None) -> str:
    """Front left came up one tooth; two were planned."""
    who = screw_words(name)
    who = who[:1].upper() + who[1:]
    if mm is None:
        return f"{who} did not move; {_count_words(planned)} planned."
    way = "came up" if mm > 0 else "went down"
    teeth = round(mm / step_mm) if step_mm else 0
    if not step_mm or not teeth or abs(mm - teeth * step_mm) > BETWEEN_SHARE * step_mm:
        rest = f"; {_count_words(planned)} planned" if planned else ""
        return f"{who} {way} {abs(mm):.2f} mm{rest}."
    did = f"{who} {way} {_teeth_words(teeth)}"
    if teeth == planned:
        return f"{did}, as planned."
    if not planned:
        return f"{did}, which was not planned."
    other = "" if teeth * planned > 0 else f" {'up' if planned > 0 else 'down'}"
    return f"{did}; {_NUMBERS.get(abs(planned), abs(planned))}{other} {'was' if abs(planned) == 1 else 'were'} planned."


def _planned_words(planned: Mapping[str, int]) -> str:
    moves = [f"{screw_words(name)} {'up' if n > 0 else 'down'} {_teeth_words(n)}" for name, n in planned.items()]
    return f"planned: {' and '.join(moves)}"


def _count_words(teeth: int) -> str:
    way = "up" if teeth > 0 else "down"
    return f"{_teeth_words(teeth)} {way} {'was' if abs(teeth) == 1 else 'were'}"


def _teeth_words(teeth: int) -> str:
    count = _NUMBERS.get(abs(teeth), str(abs(teeth)))
    return f"{count} {'tooth' if abs(teeth) == 1 else 'teeth'}"


def _moved(
    model: Model, before: Mesh, after: Mesh, told_mm: Mapping[str, float] | None = None
) -> list[tuple[str, float]]:
    """The screws that moved between two meshes, and how far; all others by the same: the reference, the other way.

    told_mm: by screw what it was told, which on a rigid bed of four screws decides which of a pair is meant.
    """
    (low, low_covariance), (high, high_covariance) = _heights(model, before), _heights(model, after)
    rise, covariance = high - low, low_covariance + high_covariance
    sd = np.sqrt(np.diagonal(covariance))
    if len(model.screws) > SCREWS_OF_A_PLANE:
        told = np.array([(told_mm or {}).get(screw.name, 0.0) for screw in model.screws])
        found = explain_move(model.screws_xy, model.reference_index, rise, covariance, told)
        pairs = zip(model.screws, found.rise_mm.tolist(), strict=True)
        return [(screw.name, mm) for screw, mm in pairs if abs(mm) > LEAST_MOVE_MM]
    far = [i for i in model.movable if abs(rise[i]) > max(LEAST_MOVE_MM, MOVE_SD * float(sd[i]))]
    rises = [float(rise[i]) for i in far]
    if len(far) > 1 and len(far) == len(model.movable) and max(rises) - min(rises) <= LEAST_MOVE_MM:
        return [(model.screws[model.reference_index].name, -float(np.mean(rises)))]
    return [(model.screws[i].name, float(rise[i])) for i in far]


def _heights(model: Model, mesh: Mesh) -> tuple[Floats, Floats]:
    """The bed at each screw relative to the reference, `[k]`, and its covariance."""
    sigma = model.probe_sigma_mm or DEFAULT_SIGMA_MM
    found = measure_stack(mesh.x, mesh.y, mesh.z[None], model.screws_xy, model.reference_index, sigma)
    return found.heights[0], found.heights_covariance[0]
