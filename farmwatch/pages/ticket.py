"""One ticket: what is to be done by the newest mesh, what is waited for, what happened, and what one may do with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flask import Response

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE, CAUSES, METHODS
from farmwatch.pages import words
from farmwatch.pages.app import reader, source
from farmwatch.pages.look import page
from farmwatch.pages.read import Snapshot
from farmwatch.report.shared import WorkSheet, contour_sheet, ticket_refs, work_sheet
from farmwatch.tickets import Proof, Ticket, TicketEvent, TicketRepository, owner_of, proofs

__all__ = ["sheet", "ticket"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the page of a ticket is made of."""

    ticket: Ticket
    """With the newest numbers."""
    revision: int
    """As it stands in the book."""
    events: tuple[TicketEvent, ...]
    machine: Assessment | None
    """As judged now; None where it is not configured any more."""
    proof: Proof | None
    found: Snapshot

    @classmethod
    def of(cls, number: int) -> Facts:
        """Read it; raises InputError where there is none of that number."""
        farm, found = source(), reader().snapshot()
        book = TicketRepository(farm.store)
        one, events = book.ticket(number), tuple(book.events(number))
        known = {machine.name for machine in found.settings.machines}
        machine = reader().judge(one.machine) if one.machine in known else None
        judged = {} if machine is None else {one.machine: machine}
        return cls(
            ticket=one.as_judged(machine),
            revision=one.revision,
            events=events,
            machine=machine,
            proof=proofs(found.settings, farm.store, [one], found.at, judged).get(number),
            found=found,
        )

    def sheet(self) -> WorkSheet | None:
        """The work at its machine, as on its work sheet; None where nobody is sent there."""
        one, machine = self.ticket, self.machine
        if machine is None or one.cause == "host" or not one.is_open or one.phase == "proving":
            return None
        zone = self.found.settings.farm.timezone
        today = self.found.at.astimezone(zone).date()
        ref = ticket_refs({one.machine: one}, self.events, today, zone)[one.machine]
        hours = self.found.hours.get(one.machine, 0.0)
        return work_sheet(machine, 1, self.found.at, zone, ref, hours, self.found.settings.limits.usable_mm)


def ticket(number: int) -> Response:
    """The page of a ticket."""
    facts = Facts.of(number)
    one = facts.ticket
    sheet = facts.sheet()
    return page(
        "ticket.html",
        facts=facts,
        ticket=one,
        m=facts.machine,
        owner=owner_of(facts.events) if one.is_open else "",
        cause="its host does not answer" if one.cause == "host" else CAUSES[one.cause].words,
        sheet=sheet,
        order=_order(facts),
        proof=_proof_words(facts),
        methods=[(name, _method(name)) for name in METHODS],
        first_method=next((name for name in one.advice if name in METHODS), "other"),
        today=facts.found.at.astimezone(facts.found.settings.farm.timezone).date(),
    )


def sheet(number: int) -> Response:
    """The work sheet of a ticket, for the printer: one page."""
    facts = Facts.of(number)
    sheet = facts.sheet()
    bed = ""
    if sheet is not None and facts.machine is not None and facts.machine.mesh is not None:
        bed = contour_sheet(
            facts.machine.mesh, facts.machine.model, key="bed", title=f"Bed plan of {facts.ticket.machine}",
            turns=sheet.turns, sd_mm=facts.machine.range_sd_mm,
        )  # fmt: skip
    return page("sheet.html", facts=facts, ticket=facts.ticket, sheet=sheet, bed=bed)


def _order(facts: Facts) -> words.Order:
    one = facts.ticket
    if one.phase == "proving" and one.cause != "host":
        return "do-not-turn"
    if not one.is_open or one.cause == "host" or facts.machine is None:
        return "fine"
    return words.order(replace(facts.machine, ticket=None))


def _method(name: str) -> str:
    row = next((row for advice, row in ADVICE.items() if advice == name), None)
    return "something else" if row is None else row.work


def _proof_words(facts: Facts) -> str:
    """What a ticket in proving waits for."""
    one, proof = facts.ticket, facts.proof
    if one.phase != "proving":
        return ""
    if one.cause == "host":
        return "Nothing to do: the next answer of its host closes it."
    if proof is None:
        return "Probe it hot; nothing is turned meanwhile."
    said = f"{len(proof.verdict.index)} of {proof.wanted} probings have counted."
    hot = "" if proof.celsius is None else f", bed near {proof.celsius:.0f} °C"
    if proof.verdict.says != "waiting":
        return f"{said} What follows is said within minutes."
    if proof.next_from is None or proof.next_from <= facts.found.at:
        return f"{said} The next mesh counts{hot}."
    there = proof.next_from.astimezone(facts.found.settings.farm.timezone)
    return f"{said} The next one counts from {there:%a %d %b %H:%M} on{hot}."
