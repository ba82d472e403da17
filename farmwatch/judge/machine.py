"""One machine judged: from its history to everything that is said of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from farmwatch.eligibility import how_to_be_judged
from farmwatch.follow import HistoryFindings
from farmwatch.history import History
from farmwatch.judge.assessment import Assessment, Plan
from farmwatch.judge.cause import Evidence, Spiking, Verdict, judge_cause
from farmwatch.judge.condition import ConditionFinding, find_condition
from farmwatch.judge.drive import find_drive_fault, repeated_jumps
from farmwatch.judge.facts import find_tilt, form_facts, reading_facts, screw_facts, spike_facts, trace_of
from farmwatch.judge.plan import BestSetting, find_best_setting, make_plan
from farmwatch.judge.tables import Advice, Cause
from farmwatch.judge.tooth_plans import tooth_plan
from farmwatch.judge.twist import Twist, twist_sentence
from farmwatch.measure import MachineMeasures, MeasuredHistory, ReadingMeasures, measure_histories, measure_machines
from farmwatch.mesh import Floats
from farmwatch.model import Limits, Model
from farmwatch.outcomes import OUTCOMES, Outcome
from farmwatch.times import from_epoch

__all__ = ["HostFacts", "judge_fleet", "judge_machine", "with_host"]

# Older meshes give their range; the newest ones are enough to know the noise. Those in a row that say the same as the
# newest are averaged, so that meshing again settles a case near an edge.
MOST_MESHES_MEASURED = 12
# So many where their F lies near the limit: an unchanged machine's cause is not to change with the last few meshes.
MOST_AVERAGED = 128
MESHES_NEAR_EDGE = MOST_AVERAGED * 3 // 2
NEAR_EDGE_SD = 4.0
# Less than this of a range without its form, and the screws have no share in it (`cause.BOTH_SHARE`).
NEAR_BOTH_SHARE = 0.2


_NO_MESH = "No mesh of this machine has come in yet."


@dataclass(frozen=True, slots=True, kw_only=True)
class HostFacts:
    """What is known of the host that answers for a machine."""

    has_host: bool = True
    answered_at: datetime | None = None
    silent: bool = False
    not_understood: bool = False
    """It answers, and for too long not with what its mapping expects."""
    outcome: Outcome | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """One machine's readings measured, and what is to be judged of them."""

    history: History
    model: Model
    limits: Limits
    at: datetime
    good: NDArray[np.bool_]
    """Which readings are judged."""
    shown: int
    judged: int | None
    """The newest of them."""
    measures: MachineMeasures
    step_mm: float | None
    """The rise per tooth; None where it is not known."""
    figures: dict[int, ReadingMeasures]
    best: dict[int, BestSetting | None]

    @property
    def share_mm(self) -> float:
        """By how much noise makes the ranges that are judged read high."""
        return 0.0 if self.measures.bed is None else self.measures.bed.range_share_mm

    def twist_of(self, i: int) -> Twist | None:
        """The twist of reading i where one of its four screws is off the plane of the others."""
        best = self.best[i]
        return None if best is None else best.twist

    def form_of(self, i: int) -> float:
        """F of reading i, mm; of the judged one without the noise's share, where that is taken off its range."""
        twist = self.twist_of(i)
        if twist is not None:
            return twist.form_mm
        read, bed = float(self.measures.best_reachable_mm[i]), self.measures.bed
        without = bed is not None and i == self.judged and bed.range_share_mm > 0
        return min(bed.best_reachable_mm, read) if bed is not None and without else read

    def without_noise(self, range_mm: float, i: int) -> float:
        """What the best setting of reading i leaves, mm, as its form is judged: noise adds the same to both."""
        if self.twist_of(i) is not None:
            return range_mm
        noise = float(self.measures.best_reachable_mm[i]) - self.form_of(i)
        return min(range_mm, max(self.form_of(i), range_mm - noise))

    def sd_of(self, i: int) -> float:
        """Sd of the range of reading i, mm."""
        use = (self.good if self.good.any() else ~self.good) & ~self.history.during_work
        return self.measures.range_sd(i, use)

    def floor_of(self, i: int) -> float | None:
        """R* of reading i as it is shown, mm; None where the drive has no teeth or their step is not known."""
        best = self.best[i]
        return None if best is None or best.teeth is None else self.without_noise(best.range_mm, i)

    def plan_of(self, i: int, advice: tuple[Advice, ...], cause: Cause) -> Plan | None:
        """The plan for reading i, the noise's share taken off what it leaves as it is off the range."""
        plan = make_plan(self.figures[i], self.model, self.best[i], advice, cause)
        if plan is None or not self.share_mm:
            return plan
        turned = any(plan.turn_mm.values())
        after = self.without_noise(plan.range_after_mm, i) if turned else plan.range_after_mm - self.share_mm
        return replace(
            plan,
            range_after_mm=after,
            range_after_shims_mm=min(self.without_noise(plan.range_after_shims_mm, i), after),
        )


def judge_machine(
    history: History,
    model: Model,
    limits: Limits,
    at: datetime,
    *,
    followed: HistoryFindings | None = None,
    step_mm: float | None = None,
) -> Assessment:
    """Everything that is said of one machine at `at` (aware), from its readings and notes at or before it.

    The rest is as in `judge_fleet`.
    """
    return judge_fleet(measure_histories([history], [model], at), limits, at, [followed], [step_mm])[0]


def judge_fleet(
    machines: Sequence[MeasuredHistory],
    limits: Limits,
    at: datetime,
    followed: Sequence[HistoryFindings | None] | None = None,
    steps_mm: Sequence[float | None] | None = None,
    lent_mm: Mapping[str, float] | None = None,
) -> list[Assessment]:
    """Everything that is said of each machine, measured together; one with few readings borrows its model's noise.

    followed: drift, steps and forecast of each, None while unknown. steps_mm: the rise per tooth learned from moves
    made on each, None for the model's. lent_mm: by model, the noise of a point that is borrowed; None for that of the
    machines given. What concerns its host is added by `with_host`.
    """
    measures = measure_machines(machines, [_asked(one.judged) for one in machines], lent_mm)
    near = [i for i, one in enumerate(measures) if _near_edge(machines[i].judged, one, limits)]
    some = [machines[i] for i in near]
    deeper = measure_machines(some, [_asked(one.judged, MESHES_NEAR_EDGE) for one in some], lent_mm)
    for i, more in zip(near, deeper, strict=True):
        # The noise stays what it was: it may be borrowed from machines that are not asked again.
        measures[i] = replace(more, noise=measures[i].noise)
    measures = MachineMeasures.judged(
        measures, [_alike(one, mine) for one, mine in zip(machines, measures, strict=True)]
    )
    nothing = [None] * len(machines)
    rows = zip(machines, measures, followed or nothing, steps_mm or nothing, strict=True)
    return [_judge_one(*row, limits, at) for row in rows]


def with_host(assessment: Assessment, host: HostFacts) -> Assessment:
    """The assessment with what is known of its host; one that gives nothing for too long adds `check-host`.

    Nobody waits for the host of a machine out of service.
    """
    if assessment.reading is None and assessment.in_service:
        assessment = _never_read(assessment, host)
    silent = host.silent and assessment.in_service
    puzzling = host.not_understood and assessment.in_service
    return replace(
        assessment,
        has_host=host.has_host,
        host_answered_at=host.answered_at,
        silent=silent,
        not_understood=puzzling,
        last_outcome=host.outcome,
        last_reason=host.reason,
        advice=(*dict.fromkeys((*assessment.advice, "check-host")),) if silent or puzzling else assessment.advice,
    )


def _never_read(assessment: Assessment, host: HostFacts) -> Assessment:
    """What to do where no mesh has ever come: nothing at the bed while the host does not give one."""
    advice: Advice = "re-mesh"
    said = [_NO_MESH]
    if not host.has_host:
        said.append("It has no host: import its mesh.")
    elif host.outcome is None:
        said.append("Its host has not been asked yet.")
    elif not OUTCOMES[host.outcome].understood:
        advice, said = "check-host", [f"{_NO_MESH[:-1]}: its host has never given one."]
    return replace(assessment, advice=(advice,), reasons=tuple(said))


def _asked(good: NDArray[np.bool_], most: int = MOST_MESHES_MEASURED) -> NDArray[np.intp]:
    """Places to measure in full: the newest judged readings, and the newest of all, which is shown."""
    if not good.size:
        return np.zeros(0, dtype=np.intp)
    return np.union1d(np.flatnonzero(good)[-most:], [good.size - 1]).astype(np.intp)


def _near_edge(good: NDArray[np.bool_], measures: MachineMeasures, limits: Limits) -> bool:
    """Whether more meshes than the newest are wanted: F lies near the usable limit, or over it beside a tilt."""
    newest = np.flatnonzero(good)[-MOST_MESHES_MEASURED:]
    if newest.size < MOST_MESHES_MEASURED:
        return False
    form = float(measures.best_reachable_mm[newest].mean())
    range_mm = float(measures.range_without_spikes_mm[newest].mean())
    near: bool = abs(form - limits.usable_mm) <= NEAR_EDGE_SD * _best_reachable_sd(measures) / newest.size**0.5
    return near or (form > limits.usable_mm and range_mm - form > NEAR_BOTH_SHARE * range_mm)


def _best_reachable_sd(measures: MachineMeasures) -> float:
    """Sd of F of one mesh, mm.

    Two points a side hold the touching planes at best, one at worst: between 1 and √2 times the noise of a point.
    """
    return 2**0.5 * measures.noise.sigma_mm


def _judge_one(
    measured: MeasuredHistory,
    measures: MachineMeasures,
    followed: HistoryFindings | None,
    step_mm: float | None,
    limits: Limits,
    at: datetime,
) -> Assessment:
    history, model = measured.history, measured.model
    spans = history.out_of_service
    now_out = next((span for span in spans if span.since <= at and (span.until is None or at < span.until)), None)
    blank = Assessment(
        machine=history.machine,
        model=model,
        in_service=now_out is None,
        out_reason="" if now_out is None else now_out.reason,
        out_until=None if now_out is None else now_out.until,
        step_learned=step_mm is not None,
    )
    if not len(history):
        return _without_reading(blank)
    opened = _open_case(measured, measures, step_mm, limits, at)
    facts = _show(blank, opened)
    if opened.judged is None:
        return _without_judged(facts, how_to_be_judged(opened.history, opened.shown, opened.model))
    return _advise(facts, opened, opened.judged, followed)


def _open_case(
    measured: MeasuredHistory, measures: MachineMeasures, step_mm: float | None, limits: Limits, at: datetime
) -> _Case:
    history, model, good = measured.history, measured.model, measured.judged
    shown = len(history) - 1
    judged = int(np.flatnonzero(good)[-1]) if good.any() else None
    step = model.tooth_step_mm if step_mm is None else step_mm
    figures = {i: measures.reading(i) for i in {shown, shown if judged is None else judged}}
    return _Case(
        history=history,
        model=model,
        limits=limits,
        at=at,
        good=good,
        shown=shown,
        judged=judged,
        measures=measures,
        step_mm=step,
        figures=figures,
        best={
            i: find_best_setting(one, model, step, measures.noise.sigma_mm, limits.usable_mm)
            for i, one in figures.items()
        },
    )


def _without_reading(blank: Assessment) -> Assessment:
    return replace(blank, cause="unclear", advice=("re-mesh",) if blank.in_service else (), reasons=(_NO_MESH,))


def _without_judged(facts: Assessment, remedy: str) -> Assessment:
    last = facts.reading.why_not_judged if facts.reading else ""
    why = f"No mesh could be judged yet. Of the newest: {last}."
    return replace(
        facts,
        cause="unclear",
        advice=("re-mesh",) if facts.in_service else (),
        reasons=_told(why, remedy if facts.in_service else ""),
    )


def _show(blank: Assessment, case: _Case) -> Assessment:
    """The figures of the newest reading, judged or not."""
    i, history, measures = case.shown, case.history, case.measures
    mesh, figures = history.mesh(i), case.figures[i]
    age = case.at - from_epoch(history.taken_at[i])
    return replace(
        blank,
        reading=reading_facts(history, i, case.good, case.model),
        mesh_old=age > timedelta(days=case.limits.mesh_old_after_days),
        mesh=mesh,
        range_mm=float(measures.range_mm[i]),
        range_sd_mm=case.sd_of(i),
        tilt=find_tilt(figures, mesh),
        form=form_facts(figures, case.form_of(i)),
        spikes=spike_facts(figures, mesh),
        screws=screw_facts(figures, case.model),
        tooth_floor_mm=case.floor_of(i),
        trace=trace_of(history, measures, case.good),
    )


def _advise(facts: Assessment, case: _Case, i: int, followed: HistoryFindings | None) -> Assessment:
    """Condition, cause and advice from the newest judged reading `i`."""
    history, good = case.history, case.good
    sd = case.sd_of(i) if facts.range_sd_mm is None or i != case.shown else facts.range_sd_mm
    finding = find_condition(history.taken_at[good], case.measures.range_mm[good] - case.share_mm, sd, case.limits)
    since = None if finding.since is None else from_epoch(finding.since)
    past = finding.condition == "past-limit"
    steps = followed.steps if followed else ()
    forecast = followed.forecast if followed and not (past and finding.confirmed) else None
    evidence = replace(
        _evidence(case, i, finding, sd),
        reversal=followed.reversal if followed else None,
        drive_fault=find_drive_fault(steps, history.works, history.notes, since if past else None, case.at),
        crossing_days=forecast.p50 if forecast else None,
    )
    verdict = judge_cause(evidence)
    likely = verdict.suspected or verdict.cause
    judged_mm = float(case.measures.range_mm[i]) - case.share_mm
    return replace(
        facts,
        judged_reading=None if i == case.shown else reading_facts(history, i, good, case.model),
        range_share_mm=case.share_mm,
        judged_range_mm=judged_mm if i != case.shown or case.share_mm > 0 else None,
        condition=finding.condition,
        confirmed=finding.confirmed,
        since=since,
        since_records_began=finding.from_the_first,
        cause=verdict.cause,
        suspected_cause=verdict.suspected,
        advice=verdict.advice if facts.in_service else (),
        at_tooth_floor=verdict.at_tooth_floor,
        bent_by_screw=case.twist_of(i) is not None,
        plan=case.plan_of(i, verdict.advice if facts.in_service else (), likely),
        reasons=_told(*_of_its_mesh(facts, case, i), *_reasons(verdict, case.measures, followed)),
        drift=followed.drift if followed else None,
        suspected_step=followed.suspected_step if followed else None,
        steps=steps,
        repeated_jumps=repeated_jumps(steps, history.notes, case.at),
        forecast=forecast,
    )


def _evidence(case: _Case, i: int, finding: ConditionFinding, sd_mm: float) -> Evidence:
    measures, limits, bed, best = case.measures, case.limits, case.measures.bed, case.best[i]
    assert bed is not None
    range_mm = float(measures.range_mm[i]) - case.share_mm
    best_reachable_sd, twist = _best_reachable_sd(measures), case.twist_of(i)
    past = finding.condition == "past-limit"
    mean_range, floor = _of_mean(case, best) if past else (None, case.floor_of(i))
    # A mesh across the limit is noise unless it breaks with the ones before: then another is wanted at once.
    doubtful = finding.moved and not finding.newest_agrees
    return Evidence(
        range_mm=range_mm,
        range_sd_mm=sd_mm,
        range_without_spikes_mm=float(measures.range_without_spikes_mm[i]) - case.share_mm,
        best_reachable_mm=bed.best_reachable_mm if twist is None else twist.form_mm,
        said_form_mm=case.form_of(i),
        said_floor_mm=None if best is None else case.without_noise(best.range_mm, i),
        best_reachable_sd_mm=best_reachable_sd / (1.0 if twist is not None else bed.readings.size**0.5),
        plate_mm=bed.flatness_mz_mm if twist is None else twist.form_mm,
        twisted="" if twist is None else twist_sentence(twist, case.model),
        floor_mm=floor,
        mean_range_mm=mean_range,
        usable_mm=limits.usable_mm,
        ideal_mm=limits.ideal_mm,
        confirmed=not doubtful and (finding.confirmed or not past),
        past=None if doubtful else past,
        over_ideal=past or finding.condition == "usable",
        ideal_agrees=finding.newest_agrees_on_ideal,
        free_drive=case.model.drive == "free",
        screws=len(case.model.screws),
        meshes=int(bed.readings.size),
        spikes=len(case.figures[i].spikes),
        spiking=_spiking(case, i),
    )


def _of_mean(case: _Case, best: BestSetting | None) -> tuple[float | None, float | None]:
    """Range of the mean of the meshes that show one bed, and what the drive leaves of it; spikes out.

    The floor is None where the drive has no teeth or their step is not known.
    """
    bed = case.measures.bed
    assert bed is not None
    if best is not None and best.twist is not None:
        return None, best.range_mm
    newest = int(bed.readings[0])
    mean, _, _ = case.measures.part_of(newest).mean_of(bed.readings)
    z, share = mean.ravel(), case.share_mm if bed.readings.size == 1 else 0.0
    range_mm = float(np.nanmax(z) - np.nanmin(z)) - share
    if best is None or best.teeth is None or case.step_mm is None:
        return range_mm, None
    screws = case.measures.reading(newest).influence
    left = float(tooth_plan(z, screws, case.step_mm, case.model.reference_index).range_mm)
    return range_mm, min(max(left - share, bed.best_reachable_mm), range_mm)


def _spiking(case: _Case, i: int) -> Spiking | None:
    """Where the last judged meshes on the grid of reading `i` have their bad points; None where it has none itself."""
    newest = {(row, column) for row, column, _ in case.figures[i].spikes}
    if not newest:
        return None
    before = [
        {(row, column) for row, column, _ in case.measures.reading(int(j)).spikes}
        for j in np.flatnonzero(case.good)[-MOST_MESHES_MEASURED:]
        if j != i and case.history.mesh(int(j)).z.shape == case.history.mesh(i).z.shape
    ]
    same = sum(bool(points & newest) for points in before)
    return Spiking(meshes=len(before) + 1, same=same, elsewhere=sum(map(bool, before)) - same)


def _alike(machine: MeasuredHistory, measures: MachineMeasures) -> NDArray[np.intp]:
    """Places, newest first, of the judged readings in a row that show the range and form of the newest on its plate."""
    history, good = machine.history, np.flatnonzero(machine.judged)
    if not good.size:
        return good
    i = int(good[-1])
    sd_mm = measures.range_sd(i, machine.judged & ~history.during_work)
    best_reachable_sd_mm = _best_reachable_sd(measures)
    rows = np.flatnonzero(machine.judged & np.isfinite(measures.best_reachable_mm))[::-1]
    same = (
        _near_the_newest(measures.range_mm[rows], 4 * 2**0.5 * sd_mm)
        & _near_the_newest(measures.best_reachable_mm[rows], 4 * 2**0.5 * best_reachable_sd_mm)
        & (history.plate[rows] == history.plate[i])
    )
    swapped = [note.at.timestamp() for note in history.notes if note.what == "plate"]
    if swapped:
        same &= history.taken_at[rows] >= min(max(swapped), history.taken_at[i])
    many = int(np.logical_and.accumulate(same).sum())
    # Whatever its figures, a reading is like itself.
    return rows[_settled(many, good.size)] if many else np.array([i], dtype=np.intp)


def _settled(many: int, judged: int) -> slice:
    """Which of the newest `many` of all `judged` readings are averaged, the newest first.

    A block of 2, 4, … of them, no more than 128, that moves on by half its length: one mesh more changes nothing most
    days, so that a cause near an edge does not change with each.
    """
    block = MOST_AVERAGED
    while block > 1:
        after = judged % (block // 2)
        if after + block <= many:
            return slice(after, after + block)
        block //= 2
    return slice(0, 1)


def _near_the_newest(values: Floats, reach_mm: float) -> NDArray[np.bool_]:
    """`[n]` which values, the newest first, are as the newest ones: the median of five, where the first is near it."""
    middle = float(np.median(values[:5]))
    # The newest alone strays by noise, and among very many some stray the other way.
    middle = middle if abs(float(values[0]) - middle) <= reach_mm else float(values[0])
    near: NDArray[np.bool_] = np.abs(values - middle) <= reach_mm
    return near


def _told(*sentences: str) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence)


def _of_its_mesh(facts: Assessment, case: _Case, i: int) -> Iterator[str]:
    """What is to be said of the mesh that is judged, at place `i`: another is only shown, or it is old."""
    if i != case.shown and facts.reading is not None:
        yield f"Newest mesh ignored: {facts.reading.why_not_judged}. Verdict from the last mesh that counts."
        yield how_to_be_judged(case.history, case.shown, case.model) if facts.in_service else ""
    age = case.at - from_epoch(case.history.taken_at[i])
    if facts.in_service and age > timedelta(days=case.limits.mesh_old_after_days):
        days = age / timedelta(days=1)
        yield f"The mesh behind this is {days:.0f} days old: probe again, hot, before you act on it."


def _reasons(verdict: Verdict, measures: MachineMeasures, followed: HistoryFindings | None) -> tuple[str, ...]:
    reasons = list(verdict.reasons)
    if followed is not None and followed.suspected_step is not None:
        reasons.append("The newest meshes differ from the ones before: it may just have moved; the next mesh tells.")
    if measures.noise.source == "guess" and verdict.cause != "none":
        assumed = f"assumed: {measures.noise.sigma_mm:.2f} mm a point"
        reasons.append(f"Too few meshes to know how well its probe repeats ({assumed}).")
    return tuple(reasons)
