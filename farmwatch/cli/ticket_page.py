"""Tickets on a screen: one ticket whole, with the cautions before any move, and what goes with tickets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.cli.screen import echo, paragraph
from farmwatch.cli.ticket_list import accepted_phrase, time_phrase
from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT, Assessment
from farmwatch.judge.learned import StepBelief
from farmwatch.judge.tables import ADVICE, CAUSES, AdviceRow, CauseRow
from farmwatch.judge.words import (
    amount_phrase,
    plan_sentences,
    screw_words,
    shim_sentences,
)
from farmwatch.model import Model
from farmwatch.report import figure_sentences
from farmwatch.store import Move
from farmwatch.text import clock, day, day_of, mm, sanitize
from farmwatch.tickets import Figures, Outbox, Proof, Ticket, TicketEvent, owner_of

__all__ = [
    "TicketPage", "cause_words", "end_of_acceptance", "show_cautions", "show_deliveries", "show_figures", "show_ticket",
]  # fmt: skip

_PRIORITY = {1: "to be done first", 2: "to be done soon", 3: "to be planned"}
_PASSED_SHOWN = 3


def cause_words(cause: str) -> str:
    """What a ticket is about, in words."""
    return "its host does not answer" if cause == "host" else _worded(CAUSES, cause)


def _worded(rows: Mapping[Any, CauseRow] | Mapping[Any, AdviceRow], what: str) -> str:
    """The words for what a ticket names; what a later farmwatch may have written stands as it is."""
    row = rows.get(what)
    return what if row is None else row.words


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketPage:
    """What the page of one ticket is made of; `model` and `belief` are None where its machine is gone."""

    ticket: Ticket
    events: Sequence[TicketEvent]
    moves: Sequence[Move]
    """Told in its works."""
    proof: Proof | None
    model: Model | None
    belief: StepBelief | None
    judged: Assessment | None
    """Its machine as it is judged now; None where nothing is open or it is gone."""
    now: datetime
    zone: ZoneInfo


def show_ticket(page: TicketPage) -> None:
    """One ticket whole."""
    ticket, zone = page.ticket, page.zone
    paragraph(f"ticket {ticket.number}: {sanitize(ticket.machine)}, {ticket.phase}", strong=True)
    paragraph(cause_words(ticket.cause), hang=2)
    if ticket.is_open and ticket.phase != "proving":
        paragraph(_when_words(ticket, page.now.astimezone(zone).date()), hang=2)
    if ticket.phase == "accepted":
        paragraph(f"accepted {accepted_phrase(ticket, zone)}; {end_of_acceptance(ticket)}", hang=2)
    _show_range(page)
    owner = owner_of(page.events)
    if owner and ticket.is_open:
        paragraph(f"owner: {sanitize(owner)}", hang=2)
    if ticket.note:
        paragraph(f"note: {sanitize(ticket.note)}", hang=2)
    if ticket.phase == "proving":
        _show_proof(page)
    elif ticket.is_open:
        _show_work(page)
    if page.moves:
        _show_turned(page)
    echo()
    echo("What happened", strong=True)
    for event in page.events:
        _show_event(event, zone)
    if ticket.is_open:
        echo()
        paragraph(f"possible now: {', '.join(ticket.possible) or 'nothing; later readings decide'}", hang=2)


def end_of_acceptance(ticket: Ticket) -> str:
    """How a person ends it."""
    return f"to end it: farmwatch ticket withdraw {ticket.number} --why TEXT"


def _when_words(ticket: Ticket, today: date) -> str:
    said = _PRIORITY.get(ticket.priority, _PRIORITY[2])
    if ticket.due is None:
        return said
    return f"{said}; {'late, it was due' if ticket.due < today else 'due'} {day(ticket.due)}"


def _show_range(page: TicketPage) -> None:
    ticket = page.ticket
    worked = ticket.phase in ("proving", "proven")
    if not worked and ticket.range_mm is not None:
        left = "" if ticket.predicted_mm is None else f"; the work should leave {mm(ticket.predicted_mm)} mm"
        paragraph(f"range {mm(ticket.range_mm)} mm{_of_its_mesh(page)}{left}", hang=2)
    if not worked:
        return
    last = ticket.work_moves(page.moves)
    before = last[0].range_before_mm if last else ticket.range_mm
    after = page.proof.now_mm if page.proof is not None else ticket.closed_range_mm
    if before is not None:
        probed = "" if after is None else f" -> {mm(after)}"
        paragraph(f"range {mm(before)}{probed} mm{'; not probed since the work' if after is None else ''}", hang=2)


def _of_its_mesh(page: TicketPage) -> str:
    """Which mesh the range and the moves of a ticket in work are of."""
    reading = None if page.judged is None else page.judged.judged_reading or page.judged.reading
    if page.ticket.phase != "in-work" or reading is None:
        return ""
    before = page.ticket.work_from is not None and reading.taken_at <= page.ticket.work_from
    return f" by the mesh of {clock(reading.taken_at, page.zone)}{', before the work began' if before else ''}"


def _show_proof(page: TicketPage) -> None:
    """What is waited for; nothing of the plan, which is done."""
    echo()
    echo("What to do", strong=True)
    done = page.ticket.work_until
    if page.ticket.cause != "host" and done is not None and not (page.proof and page.proof.verdict.index):
        said = f"Work done {day_of(done, page.zone, year=False)}; do not turn; probe hot."
        paragraph(said, indent=2, hang=2, strong=True)
    paragraph(_proof_words(page), indent=2, hang=2)
    if page.ticket.cause == "host":
        return
    for one in page.proof.passed_over[-_PASSED_SHOWN:] if page.proof is not None else ():
        paragraph(f"the mesh of {clock(one.at, page.zone)} did not count: {one.why}", indent=2, hang=2)
    show_cautions()


def _proof_words(page: TicketPage) -> str:
    proof = page.proof
    if page.ticket.cause == "host":
        return "proving: nothing to do; the next answer of its host proves it"
    if proof is None:
        return "proving: nothing to turn; mesh it, hot"
    said = f"proving: {len(proof.verdict.index)} of {proof.wanted} probings"
    if proof.verdict.says != "waiting":
        return f"{said}; the service says within minutes what follows (now: farmwatch ticket propose)"
    hot = "" if proof.celsius is None else f", bed near {proof.celsius:.0f} °C"
    if proof.next_from is None or proof.next_from <= page.now:
        return f"{said}; the next mesh counts{hot}"
    return f"{said}; the next counts from {time_phrase(proof.next_from, page.now, page.zone)}{hot}"


def _show_work(page: TicketPage) -> None:
    ticket, model = page.ticket, page.model
    echo()
    echo("What to do", strong=True)
    plan = ticket.work_plan
    if ticket.phase == "in-work" and ticket.cause != "host" and not _hands(ticket.advice):
        said = f"By the newest mesh nothing is left to do. Say so: farmwatch ticket done {ticket.number}"
        paragraph(said, indent=2, hang=2, strong=True)
        return
    for advice in ticket.advice:
        paragraph(_worded(ADVICE, advice), indent=2, hang=2)
    if ticket.cause == "host":
        return
    show_cautions()
    if plan is None and not ticket.plan and page.judged is not None and not page.judged.in_service:
        echo()
        what = f"What is still to be turned, the next mesh shows: farmwatch realign {sanitize(ticket.machine)}"
        paragraph(what, indent=2, hang=2)
    elif "realign" in ticket.advice and model is not None and page.belief is not None:
        echo()
        echo("Moves", strong=True)
        known = replace(model, clockwise=page.belief.clockwise)
        for sentence in plan_sentences(plan, known, learned=page.belief.learned):
            paragraph(sanitize(sentence), indent=2, hang=2)
        paragraph(f"farmwatch realign {sanitize(ticket.machine)} guides them one by one.", indent=2, hang=2)
    if "shim" in ticket.advice and plan is not None:
        for sentence in shim_sentences(plan):
            paragraph(sanitize(sentence), indent=2, hang=2)


def _hands(advice: Sequence[str]) -> bool:
    """Whether anything is to be done or probed at the machine."""
    return any(name not in ADVICE or not ADVICE[name].idle for name in advice)  # type: ignore[index]  # a later farmwatch may have written it


def _show_turned(page: TicketPage) -> None:
    """What was told and what it really did, from the record of the guided realignments."""
    echo()
    echo("What was turned", strong=True)
    for move in page.moves:
        paragraph(f"{clock(move.at, page.zone)}  {sanitize(_move_words(move))}", indent=2, hang=2)
    last = page.moves[-1]
    if last.range_after_mm is not None:
        paragraph(f"range {mm(page.moves[0].range_before_mm)} -> {mm(last.range_after_mm)} mm", indent=2, hang=2)


def _move_words(move: Move) -> str:
    who = screw_words(move.screw)
    if move.teeth is None:
        told = amount_phrase(None, move.mm or 0.0) or "turned"
    else:
        count = f"{abs(move.teeth)} {'tooth' if abs(move.teeth) == 1 else 'teeth'}"
        told = f"{count} {'clockwise' if move.teeth > 0 else 'anticlockwise'} seen from below"
    if move.after_at is None:
        return f"{who}: {told}; no mesh since"
    if move.moved_mm is None:
        return f"{who}: {told}, but the mesh after it shows another move"
    return f"{who}: {told}; it {'rose' if move.moved_mm > 0 else 'fell'} {mm(abs(move.moved_mm))} mm"


def show_cautions() -> None:
    """The cautions, before the first move."""
    echo()
    echo("Before the first move", strong=True)
    for number, caution in enumerate(CAUTIONS, start=1):
        paragraph(f"{number}. {caution}", indent=2, hang=3)
    paragraph(CAUTIONS_FOOT, indent=2)


def _show_event(event: TicketEvent, zone: ZoneInfo) -> None:
    by = f" by {sanitize(event.by)}" if event.by else ""
    why = f": {sanitize(event.why)}" if event.why else ""
    to = "" if event.from_phase == event.to_phase else f" ({event.to_phase})"
    paragraph(f"{clock(event.at, zone)}  {event.action}{to}{by}{why}", indent=2, hang=2)


def show_figures(figures: Figures) -> None:
    """What the farm learns from its tickets, in sentences."""
    for sentence in figure_sentences(figures):
        paragraph(sanitize(sentence), hang=2)


def show_deliveries(outbox: Outbox, now: datetime, zone: ZoneInfo) -> None:
    """What still waits to be delivered; of the calendar file its newest state, which is the one that is written."""
    shown = outbox.waiting_by_channel()
    if not shown:
        echo("nothing waits to be delivered")
        return
    for what, delivery in shown:
        tries = (
            "not tried yet" if not delivery.tries else f"{delivery.tries} {'try' if delivery.tries == 1 else 'tries'}"
        )
        paragraph(f"{sanitize(what)}: waits since {clock(delivery.created_at, zone)}, {tries}", hang=2, strong=True)
        when = "soon" if delivery.next_try_at <= now else f"again {clock(delivery.next_try_at, zone)}"
        fault = f"{sanitize(delivery.last_fault)}; " if delivery.last_fault else ""
        paragraph(f"{fault}the service (farmwatch run) tries it {when}", indent=2, hang=2)
        paragraph(f"to give it up: farmwatch ticket give-up {sanitize(delivery.key)}", indent=2, hang=2)
