"""Tickets on a screen: the list, and one ticket whole, with the cautions before any move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.cli.screen import paragraph, plain, say, table, width
from farmwatch.judge.cautions import CAUTIONS, CAUTIONS_FOOT
from farmwatch.judge.words import ADVICE_WORDS, CAUSE_WORDS, move_sentence, screw_words
from farmwatch.model import Model, TurningSense
from farmwatch.report.learned import figure_sentences
from farmwatch.report.text import clock, day, mm
from farmwatch.tickets import Figures, Letter, Ticket, TicketEvent, possible

__all__ = ["cause_words", "say_cautions", "say_deliveries", "say_figures", "say_ticket", "say_tickets"]

_ROOM_FOR_WORK, _ROOM_FOR_DUE = 76, 60
_PRIORITY = {1: "first", 2: "soon", 3: "plan"}


def cause_words(cause: str) -> str:
    """What a ticket is about, in words."""
    return "its host does not answer" if cause == "host" else _worded(CAUSE_WORDS, cause)


def _worded(words: Mapping[Any, str], what: str) -> str:
    """The words for what a ticket names; what a later farmwatch may have written stands as it is."""
    return words.get(what, what)


def say_tickets(tickets: Sequence[Ticket], today: date) -> None:
    """The list, what comes first on top."""
    if not tickets:
        say("no ticket is open; `farmwatch ticket list --all` shows those that are closed")
        return
    broad = width()
    columns = [("no.", True), ("machine", False), ("phase", False)]
    columns += [("due", False)] if broad >= _ROOM_FOR_DUE else []
    columns += [("range", True), ("cause", False)]
    columns += [("work", False)] if broad >= _ROOM_FOR_WORK else []
    rows = []
    for ticket in sorted(tickets, key=lambda t: (not t.is_open, t.priority, t.due or date.max, t.number)):
        row = [str(ticket.number), ticket.machine, ticket.phase]
        row += [_due(ticket, today)] if broad >= _ROOM_FOR_DUE else []
        row += ["" if ticket.range_mm is None else mm(ticket.range_mm, 2), ticket.cause]
        row += [", ".join(ticket.advice)] if broad >= _ROOM_FOR_WORK else []
        rows.append(row)
    table(columns, rows, lambda number: rows[number][2] == "came-back")


def _due(ticket: Ticket, today: date) -> str:
    if ticket.due is None or not ticket.is_open:
        return ""
    return f"{day(ticket.due, year=False)}{', late' if ticket.due < today else ''}"


def say_ticket(
    ticket: Ticket, events: Sequence[TicketEvent], model: Model | None, sense: TurningSense | None, zone: ZoneInfo
) -> None:
    """One ticket whole; `sense` is what clockwise does on this machine, as far as it is known."""
    paragraph(f"ticket {ticket.number}: {plain(ticket.machine)}, {ticket.phase}", strong=True)
    paragraph(cause_words(ticket.cause), hang=2)
    due = "" if ticket.due is None or not ticket.is_open else f", due {day(ticket.due)}"
    paragraph(f"{_PRIORITY.get(ticket.priority, 'soon')}{due}", hang=2)
    if ticket.range_mm is not None:
        left = "" if ticket.predicted_mm is None else f"; the work should leave {mm(ticket.predicted_mm)} mm"
        paragraph(f"range {mm(ticket.range_mm)} mm{left}", hang=2)
    if ticket.accepted_limit_mm is not None:
        until = "" if ticket.accepted_until is None else f" until {clock(ticket.accepted_until, zone)}"
        paragraph(f"accepted up to {mm(ticket.accepted_limit_mm)} mm{until}", hang=2)
    if ticket.remark:
        paragraph(f"note: {plain(ticket.remark)}", hang=2)
    if ticket.is_open:
        _say_work(ticket, model, sense)
    say()
    say("What happened", strong=True)
    for event in events:
        _say_event(event, zone)
    if ticket.is_open:
        say()
        paragraph(f"possible now: {', '.join(possible(ticket.phase)) or 'nothing; later readings decide'}", hang=2)


def _say_work(ticket: Ticket, model: Model | None, sense: TurningSense | None) -> None:
    say()
    say("What to do", strong=True)
    for advice in ticket.advice:
        paragraph(_worded(ADVICE_WORDS, advice), indent=2, hang=2)
    if ticket.cause == "host":
        return
    say_cautions()
    teeth = ticket.plan.get("teeth", {})
    turns = ticket.plan.get("turn_mm", {})
    if "realign" in ticket.advice and model is not None and turns:
        say()
        say("Moves", strong=True)
        for name, rise in turns.items():
            paragraph(plain(move_sentence(name, teeth.get(name), rise, sense)), indent=2, hang=2)
        for screw in model.screws:
            if screw.reference:
                paragraph(f"{plain(screw_words(screw.name))}: the reference, never turned", indent=2)
        paragraph(f"farmwatch realign {plain(ticket.machine)} guides them one by one.", indent=2, hang=2)
    if "shim" in ticket.advice:
        for name, thick in ticket.plan.get("shims_mm", {}).items():
            if thick > 0:
                paragraph(f"{plain(screw_words(name))}: shim {mm(thick, 2)} mm", indent=2)


def say_cautions() -> None:
    """The cautions, before the first move."""
    say()
    say("Before the first move", strong=True)
    for number, caution in enumerate(CAUTIONS, start=1):
        paragraph(f"{number}. {caution}", indent=2, hang=3)
    paragraph(CAUTIONS_FOOT, indent=2)


def _say_event(event: TicketEvent, zone: ZoneInfo) -> None:
    by = f" by {plain(event.by)}" if event.by else ""
    why = f": {plain(event.why)}" if event.why else ""
    to = "" if event.from_phase == event.to_phase else f" ({event.to_phase})"
    paragraph(f"{clock(event.at, zone)}  {event.action}{to}{by}{why}", indent=2, hang=2)


def say_figures(figures: Figures) -> None:
    """What the farm learns from its tickets, in sentences."""
    for sentence in figure_sentences(figures):
        paragraph(plain(sentence), hang=2)


def say_deliveries(letters: Sequence[Letter], now: datetime, zone: ZoneInfo) -> None:
    """What still waits to be delivered."""
    if not letters:
        say("nothing waits to be delivered")
        return
    for letter in letters:
        paragraph(f"{plain(letter.key)}  since {clock(letter.created_at, zone)}, {letter.tries} tries", strong=True)
        fault = plain(letter.last_fault) or "not tried yet"
        when = "is tried now" if letter.next_try_at <= now else f"is tried again {clock(letter.next_try_at, zone)}"
        paragraph(f"{fault}; {when}", indent=2, hang=2)
