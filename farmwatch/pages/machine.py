"""One machine: first what to do there, then its bed, its history, and what is known beside it."""

from __future__ import annotations

from dataclasses import replace

from flask import Response

from farmwatch.judge import Assessment
from farmwatch.judge.words import advice_sentence
from farmwatch.pages import words
from farmwatch.pages.app import reader, source
from farmwatch.pages.look import page
from farmwatch.report.shared import WorkSheet, contour_sheet, history_line, ticket_refs, work_sheet
from farmwatch.tickets import Ticket

__all__ = ["machine"]


def machine(name: str) -> Response:
    """Everything about a machine, judged anew."""
    settings = source().settings()
    name = settings.machine(name).name
    found, m = reader().snapshot(), reader().judge(name)
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
        history=None if sheet.history is None else history_line(sheet.history, limits, zone, key="line"),
    )


def _sentence(m: Assessment, accepted: Ticket | None, sheet: WorkSheet) -> str:
    """What is done there, in a sentence under the first word."""
    if not m.in_service:
        return f"{m.out_reason or 'Out of service'}."
    if m.awaits_mesh:
        return "Work done; no mesh since. Probe it hot: that mesh tells what the work did."
    if m.ticket is not None and m.ticket.phase == "proving" and not m.ticket.about_host:
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
