"""One machine on a screen: its condition, what to do there after which cautions, its numbers, bed and history."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from farmwatch.cli.charts import bed_map, history_lines, screw_letters
from farmwatch.cli.fleet_table import accepted_words, work_done_words
from farmwatch.cli.screen import echo, paragraph, width
from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT, Assessment
from farmwatch.judge.assessment import ReadingFacts
from farmwatch.judge.tables import ADVICE
from farmwatch.judge.words import (
    CONDITION_WORDS,
    advice_sentence,
    cause_phrase,
    plan_sentences,
    screw_words,
    shim_sentences,
    since_phrase,
)
from farmwatch.model import Limits
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import clock, day_of, joined, mm, percent, sanitize, signed

if TYPE_CHECKING:
    from farmwatch.tickets import Ticket

__all__ = ["show_machine"]

_FIGURES_SAID = (
    "Flatness deviation: what is left without the tilt, between two planes as close as can be (minimum zone) or about "
    "the plane that fits best (least squares). sd: how far a figure strays from mesh to mesh."
)
# A form less than this is printed as 0.000.
_EVEN_MM = 0.0005


def show_machine(
    machine: Assessment, limits: Limits, zone: ZoneInfo, at: datetime, accepted: Ticket | None = None
) -> None:
    """The whole page at `at` (aware); times are those of the farm. accepted: the ticket that accepts it as it is."""
    name, model, aisle = (sanitize(text) for text in (machine.machine, machine.model.name, machine.aisle))
    paragraph(f"{name}  ({f'{model}, aisle {aisle}' if machine.aisle else model})", strong=True)
    _show_verdict(machine, limits, zone)
    if machine.awaits_mesh:
        _show_awaiting(machine, zone)
    else:
        _show_to_do(machine, _first_of_all(machine, limits, at), "" if accepted is None else _accepted(accepted, zone))
    _show_ground(machine, zone)
    if machine.mesh is not None:
        _show_numbers(machine)
        _show_map(machine)
    _show_history(machine, limits, zone)


def _heading(text: str) -> None:
    echo()
    echo(text, strong=True)


def _show_verdict(machine: Assessment, limits: Limits, zone: ZoneInfo) -> None:
    if not machine.in_service:
        until = "" if machine.out_until is None else f" until {clock(machine.out_until, zone)}"
        paragraph(f"out of service{until}: {sanitize(machine.out_reason)}; stored and shown, not judged")
    paragraph(_range_words(machine, limits), hang=2)
    since = "" if machine.since is None else f", {since_phrase(machine, day_of(machine.since, zone))}"
    sure = "" if machine.condition == "unknown" else ", confirmed" if machine.confirmed else ", not confirmed yet"
    words = f" ({CONDITION_WORDS[machine.condition]})" if machine.condition in ("ideal", "usable") else ""
    paragraph(f"{machine.condition}{words}{since}{sure}", hang=2, strong=True)
    if machine.cause != "none":
        paragraph(cause_phrase(machine), hang=2)


def _show_ground(machine: Assessment, zone: ZoneInfo) -> None:
    """What the verdict rests on: reasons, mesh, host, ticket."""
    if machine.reasons and not machine.awaits_mesh:
        _heading("Why we think so")
        for reason in machine.reasons:
            paragraph(sanitize(reason), indent=2, hang=2)
    _heading("Mesh and host")
    if machine.reading is not None:
        paragraph(f"mesh: {_mesh_words(machine.reading, zone)}{', old' if machine.mesh_old else ''}", hang=2)
    if machine.judged_reading is not None:
        paragraph(f"judged by: {_mesh_words(machine.judged_reading, zone)}", hang=2)
    _show_host(machine, zone)
    if machine.ticket is not None:
        ticket = machine.ticket
        owner = f", {sanitize(ticket.owner)}" if ticket.owner else ""
        stands = f"{ticket.phase} since {day_of(ticket.since, zone)}{owner}"
        paragraph(f"ticket {ticket.number}: {stands}; farmwatch ticket show {ticket.number}", hang=2)
    for warning in machine.warnings:
        paragraph(f"look twice: {sanitize(warning)}", hang=2)


def _range_words(machine: Assessment, limits: Limits) -> str:
    if machine.range_mm is None:
        return "no mesh yet"
    spread = "" if machine.range_sd_mm is None else f" (sd {mm(machine.range_sd_mm)})"
    reach = f"usable to {limits.usable_mm:g}, ideal to {limits.ideal_mm:g}"
    if machine.judged_range_mm is None or not machine.in_service:
        return f"range {mm(machine.range_mm)} mm{spread}; {reach}"
    newest = f"the newest mesh, not judged, shows {mm(machine.range_mm)} mm{spread}"
    if machine.judged_reading is None:
        newest = f"the mesh reads {mm(machine.range_mm)} mm{spread}, noise included"
    return f"range {mm(machine.judged_range_mm)} mm as judged; {reach}; {newest}"


def _mesh_words(reading: ReadingFacts, zone: ZoneInfo) -> str:
    said = [f"{reading.rows} rows of {reading.columns}"]
    if reading.time_from == "unknown":
        said.append(f"of unknown age, first seen {clock(reading.taken_at, zone)}")
    else:
        said.append(f"{'first seen ' if reading.time_from == 'seen' else ''}{clock(reading.taken_at, zone)}")
    if reading.bed_celsius is not None:
        said.append(f"bed {reading.bed_celsius:.0f} °C")
    if reading.plate is not None:
        said.append(f"plate {sanitize(reading.plate)}")
    if not reading.judged:
        said.append(f"not judged: {sanitize(reading.why_not_judged)}")
    return ", ".join(said)


def _show_host(machine: Assessment, zone: ZoneInfo) -> None:
    if not machine.has_host:
        echo("host: none; its meshes are imported")
        return
    answered = (
        "never answered" if machine.host_answered_at is None else f"answered {clock(machine.host_answered_at, zone)}"
    )
    last = "" if machine.last_outcome is None else f"; last poll: {machine.last_outcome}"
    reason = f" ({sanitize(machine.last_reason)})" if machine.last_reason else ""
    state = "silent, " if machine.silent else "not understood, " if machine.not_understood else ""
    paragraph(f"host: {state}{answered}{last}{reason}", hang=2)


def _show_numbers(machine: Assessment) -> None:
    judged = machine.judged_reading is None
    _heading("What the range is made of" if judged else "What the newest mesh, not judged, is made of")
    if machine.tilt is not None:
        side = f"; the {machine.tilt.high_side} stands higher" if machine.tilt.high_side else ""
        tilt = machine.tilt
        _fact("tilt", f"{signed(tilt.x_mm_per_m, 2)} mm/m to the right, {signed(tilt.y_mm_per_m, 2)} to the rear{side}")
    if machine.form is not None:
        form = machine.form
        shape = "even" if form.flatness_ls_mm < _EVEN_MM else form.shape
        _fact("form", f"{shape}; flatness deviation {mm(form.flatness_mz_mm)} mm (minimum zone), "
              f"{mm(form.flatness_ls_mm)} (least squares), rms {mm(form.rms_mm)}")  # fmt: skip
    letters = screw_letters(machine.model.screws)
    for screw in machine.screws:
        height = "0, the reference" if screw.reference else f"{signed(screw.height_mm)} mm (sd {mm(screw.sd_mm)})"
        _fact(f"at {letters[screw.name]}", f"{sanitize(screw_words(screw.name))}: {height}")
    if machine.tooth_floor_mm is not None:
        _fact("floor", f"{mm(machine.tooth_floor_mm)} mm: no whole-tooth setting leaves less on this mesh")
    for spike in machine.spikes:
        _fact("spike", f"{signed(spike.stands_off_mm)} mm at x {spike.x_mm:.4g}, y {spike.y_mm:.4g}")
    if machine.form is not None:
        paragraph(_FIGURES_SAID, indent=2)


def _fact(name: str, text: str) -> None:
    paragraph(f"{name:<6} {text}", indent=2, hang=7)


def _show_map(machine: Assessment) -> None:
    if machine.mesh is None:
        return
    _heading("The bed, as you face the machine")
    screws = machine.model.screws
    spikes = [(spike.row, spike.column) for spike in machine.spikes]
    sheet, caption = bed_map(machine.mesh, screws=screws, spikes=spikes, columns=min(width(), 80))
    for line in sheet:
        echo(line)
    for line in caption:
        paragraph(line)
    letters = screw_letters(screws)
    marks = [
        f"({letters[screw.name]}) {sanitize(screw_words(screw.name))}, the reference"
        if screw.reference
        else f"[{letters[screw.name]}] {sanitize(screw_words(screw.name))}"
        for screw in screws
    ]
    paragraph("Z screws: " + "; ".join(marks))


def _show_history(machine: Assessment, limits: Limits, zone: ZoneInfo) -> None:
    if machine.trace is None or len(machine.trace.at) < 2:
        return
    _heading("History")
    lines, words = history_lines(machine.trace, limits, zone, width() - 2)
    for line in lines:
        echo(f"  {line}")
    paragraph(words, indent=10)
    for step in machine.steps:
        several = " of several screws, at most" if step.name == "shift" else ""
        screw = f" at {sanitize(screw_words(step.screw))}" if step.screw else several
        teeth = "" if step.teeth is None else f", {abs(step.teeth)} {'tooth' if abs(step.teeth) == 1 else 'teeth'}"
        others = sanitize(joined([screw_words(name) for name, _ in step.also]))
        also = f" (or {others} the other way)" if others else ""
        _fact("step", f"{day_of(step.at, zone)}: {step.name}{screw}{also}, {signed(step.mm)} mm{teeth}")
    if machine.suspected_step is not None:
        step = machine.suspected_step
        screw = f" at {sanitize(screw_words(step.screw))}" if step.screw else ""
        _fact("step?", f"{day_of(step.at, zone)}: suspected{screw}, {signed(step.mm)} mm")
    if machine.drift is not None:
        drift = machine.drift
        slopes = ", ".join(f"{sanitize(screw_words(name))} {signed(mm_)}" for name, mm_ in drift.mm_per_week.items())
        weight = "significant" if drift.significant else "not significant"
        _fact("drift", f"{slopes} mm a week over {drift.readings} readings since {day_of(drift.since, zone)}; {weight}")
    if machine.forecast is not None:
        _fact("ahead", _forecast_words(machine))


def _forecast_words(machine: Assessment) -> str:
    forecast = machine.forecast
    if forecast is None:
        return ""
    weeks = round(forecast.horizon_days / 7)
    chance = f"{percent(forecast.chance)} chance of passing the limit within {weeks} weeks"
    if forecast.p50 is None:
        return chance
    ends = (f"{forecast.p10:.0f}" if forecast.p10 is not None else "now",
            f"{forecast.p90:.0f}" if forecast.p90 is not None else f"more than {forecast.horizon_days}")  # fmt: skip
    return f"{chance}; about {forecast.p50:.0f} days from now ({ends[0]} to {ends[1]})"


def _first_of_all(machine: Assessment, limits: Limits, at: datetime) -> str:
    """What comes before the advice, since the mesh that it rests on may not be the machine's, or not be true any more;
    empty where nothing does."""
    if not machine.in_service:
        return ""
    said = []
    if machine.twins:
        said.append(f"See first whose mesh this is: {sanitize(joined(machine.twins))} gave the same one.")
    judged = machine.judged_reading or machine.reading
    old = judged is not None and at - judged.taken_at > timedelta(days=limits.mesh_old_after_days)
    if old and "re-mesh" not in machine.advice:
        said.append("Mesh it again, hot: its mesh is old.")
    return " ".join(said)


def _accepted(ticket: Ticket, zone: ZoneInfo) -> str:
    words = accepted_words(ticket, zone)
    return f"Nothing: {words} by ticket {ticket.number}. Without that:"


def _show_awaiting(machine: Assessment, zone: ZoneInfo) -> None:
    """Nothing to turn: what is known of the machine is from before the work."""
    said = work_done_words(machine, zone)
    paragraph(f"What to do: {said}.", hang=2, strong=True)
    for reason in machine.reasons:
        paragraph(sanitize(reason), indent=2, hang=2)


def _show_to_do(machine: Assessment, first: str, accepted: str) -> None:
    """What to do and the moves of it, in sight without scrolling; the cautions in full right behind them."""
    before = accepted or (f"{first} By that mesh:" if first else "")
    nothing = "Nothing." if machine.in_service else "Nothing while it is out of service."
    said = advice_sentence(machine) or nothing
    paragraph(f"What to do: {before} {said[0].lower()}{said[1:]}" if before else f"What to do: {said}", hang=2)
    fix = "" if machine.last_outcome is None else OUTCOMES[machine.last_outcome].fix
    if fix and "check-host" in machine.advice:
        paragraph(f"Its host: {fix}", indent=2, hang=2)
    reaches_in = any(ADVICE[one].reach_in for one in machine.advice)
    if reaches_in:
        paragraph(f"{len(CAUTIONS)} cautions: read them first, below.", strong=True)
    if machine.plan is not None or "realign" in machine.advice:
        _show_plan(machine)
    if reaches_in:
        _heading("Before the first move")
        for number, caution in enumerate(CAUTIONS, start=1):
            paragraph(f"{number}. {caution}", indent=2, hang=3)
        paragraph(CAUTIONS_FOOT, indent=2)


def _show_plan(machine: Assessment) -> None:
    plan = machine.plan
    for sentence in plan_sentences(plan, machine.model, learned=machine.step_learned):
        paragraph(sanitize(sentence), indent=2, hang=2)
    if plan is None:
        return
    if any(plan.teeth.values()) or not plan.teeth:
        paragraph(f"That leaves a range of {mm(plan.range_after_mm)} mm.", indent=2)
    shims = shim_sentences(plan)
    for sentence in shims:
        paragraph(sanitize(sentence), indent=2, hang=2)
    if shims:
        paragraph(f"With the shims it is {mm(plan.range_after_shims_mm)} mm.", indent=2)
