"""One machine: first what to do there, then its bed, its history, and what is known beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta, tzinfo

from flask import Response, request

from farmwatch.judge import Assessment
from farmwatch.judge.words import advice_sentence, screw_words
from farmwatch.model import Limits
from farmwatch.outcomes import OUTCOMES
from farmwatch.pages import words
from farmwatch.pages.app import reader, source
from farmwatch.pages.look import page
from farmwatch.pages.machine_deeds import NOTE_KINDS
from farmwatch.report.shared import WorkSheet, contour_sheet, history_line, range_history, ticket_refs, work_sheet
from farmwatch.text import count, day_of, signed
from farmwatch.tickets import Ticket

__all__ = ["machine"]

NOTES_SHOWN, POLLS_SHOWN, STEPS_SHOWN = 8, 12, 4


def machine(name: str) -> Response:
    """Everything about a machine, judged anew."""
    settings = source().settings()
    name = settings.machine(name).name
    found, m = reader().snapshot(), reader().judge(name)
    to = _to(request.args.get("to", ""), settings.farm.timezone)
    shown = m if to is None else reader().judge(name, to)
    store = source().store
    with store.one_state():
        notes, polls = store.notes([name]), store.recent_polls(name, POLLS_SHOWN)
    accepted = found.groups.accepted.get(name) if found.groups is not None else None
    ticket = next((t for t in found.tickets if m.ticket is not None and t.number == m.ticket.number), None)
    zone, limits = settings.farm.timezone, settings.limits
    refs = ticket_refs({name: ticket} if ticket is not None else {}, (), found.at.astimezone(zone).date(), zone)
    sheet = work_sheet(m, 1, found.at, zone, refs.get(name), found.hours.get(name, 0.0), limits.usable_mm)
    order = words.order(m, accepted)
    works = order == "work"
    return page(
        "machine.html",
        m=m,
        at=found.at,
        ticket=ticket,
        accepted=accepted,
        order=order,
        sentence=_sentence(m, accepted, sheet),
        sheet=sheet,
        moves=sheet.steps if works else (),
        newest_ignored=m.reading is not None and not m.reading.judged,
        bed=_bed(m, sheet if works else replace(sheet, turns={})),
        after=_after(sheet) if works else None,
        history=_history(shown, to or found.at, limits, zone),
        to="" if to is None else (to.astimezone(zone) - timedelta(hours=1)).date().isoformat(),
        steps_said=_steps_said(shown, zone),
        notes=notes[: -NOTES_SHOWN - 1 : -1],
        note_kinds=NOTE_KINDS,
        polls=polls,
        host_fix="" if m.last_outcome is None else OUTCOMES[m.last_outcome].fix,
        closed=[one for one in found.tickets if one.machine == name and not one.is_open][:-4:-1],
    )


def _to(text: str, zone: tzinfo) -> datetime | None:
    """The end of a day of the farm up to which the history is shown; None for today."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    end = datetime.combine(day, time(), zone) + timedelta(days=1)
    return end if 2000 <= day.year <= 2100 and end < source().clock() else None


def _history(m: Assessment, at: datetime, limits: Limits, zone: tzinfo) -> object:
    drawn = range_history(m, at)
    return None if drawn is None else history_line(drawn, limits, zone, key="line")


def _steps_said(m: Assessment, zone: tzinfo) -> list[str]:
    """The last sudden steps, a sentence each."""
    said = []
    for step in m.steps[-STEPS_SHOWN:]:
        where = f" at {screw_words(step.screw)}" if step.screw else ""
        teeth = "" if step.teeth is None else f", {count(abs(step.teeth), 'tooth', 'teeth')}"
        said.append(f"{day_of(step.at, zone)}: {step.name.replace('-', ' ')}{where}, {signed(step.mm, 2)} mm{teeth}.")
    return said[::-1]


def _sentence(m: Assessment, accepted: Ticket | None, sheet: WorkSheet) -> str:
    """What is done there, in a sentence under the first word."""
    if not m.in_service:
        return f"{m.out_reason or 'Out of service'}."
    if m.awaits_mesh:
        return "Work done; no mesh since. Probe it hot: that mesh tells what the work did."
    if m.ticket is not None and m.ticket.phase == "proving" and not m.ticket.about_host:
        if source().settings().tickets.probings_to_prove == 1:
            return "Work done and probed. Whether it held is said within minutes."
        return "Work done and probed once. The next hot mesh, an hour later or more, decides."
    if accepted is not None:
        return f"Accepted as it is by ticket {accepted.number}."
    if m.reading is None:
        return "No mesh yet: probe it, hot."
    if sheet.steps_wait:
        return "Probe it hot again first; the moves hold only if that mesh agrees."
    return advice_sentence(m) or "No action needed."


def _bed(m: Assessment, sheet: WorkSheet) -> object:
    if m.mesh is None:
        return ""
    return contour_sheet(
        m.mesh, m.model, key="bed", title=f"Bed plan of {m.machine}", turns=sheet.turns,
        spikes=tuple((spike.x_mm, spike.y_mm) for spike in m.spikes), sd_mm=m.range_sd_mm,
    )  # fmt: skip


def _after(sheet: WorkSheet) -> object:
    if sheet.after is None:
        return None
    return contour_sheet(
        sheet.after, sheet.of.model, key="after", title=f"Bed of {sheet.machine} as the moves leave it", small=True,
        sd_mm=sheet.of.range_sd_mm,
    )  # fmt: skip
