"""One pass over the book: what the newest assessment and the newest probings mean for every ticket."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from farmwatch.config import Settings
from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.store import Store
from farmwatch.tickets.progress import NOT_AS_PLANNED, Proof, proofs
from farmwatch.tickets.proposing import Rules, TicketChange, changes_due, draft_by_hand
from farmwatch.tickets.repository import TicketRepository, TicketTransaction
from farmwatch.tickets.ticket import PROGRAM, Ticket, TicketCause
from farmwatch.times import BELIEVED_AHEAD

__all__ = ["TicketChanges", "open_by_hand", "rules_of", "update_tickets"]

_Done = dict[str, list[Ticket]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketChanges:
    """What changed: tickets as they read now."""

    opened: tuple[Ticket, ...] = ()
    refreshed: tuple[Ticket, ...] = ()
    withdrawn: tuple[Ticket, ...] = ()
    proven: tuple[Ticket, ...] = ()
    came_back: tuple[Ticket, ...] = ()


def rules_of(settings: Settings) -> Rules:
    """The farm's rules for tickets."""
    working, section = settings.farm.working, settings.tickets
    return Rules(
        approve_up_to_mm=section.approve_up_to_mm,
        plan_ahead=section.plan_ahead,
        workdays=working.weekdays if working else frozenset(range(5)),
        closed=settings.farm.closed,
    )


def open_by_hand(
    settings: Settings, store: Store, fleet: FleetAssessment, machine: str, cause: TicketCause | None, why: str, by: str
) -> Ticket:
    """Open a ticket that a person wants for a machine of `fleet`; its cause is the judged one if left out.

    Raises InputError where one is open already, and StoreError.
    """
    one = next(found for found in fleet.machines if found.machine == machine)
    draft = draft_by_hand(fleet, one, cause or one.cause, why, rules_of(settings))
    return TicketRepository(store).open_by_hand(draft, by=by, why=why)


def update_tickets(settings: Settings, store: Store, fleet: FleetAssessment) -> TicketChanges:
    """Carry the assessment into the book, in one transaction; the same assessment again changes nothing.

    Raises StoreError.
    """
    book = TicketRepository(store)
    tickets = _begun(book.tickets(), fleet.at)
    replaced = _replaced_at(store, fleet.at)
    machines = {machine.machine: machine for machine in fleet.machines}
    found = proofs(settings, store, [t for t in tickets if t.machine in machines], fleet.at, machines)
    rules, today = rules_of(settings), fleet.at.astimezone(settings.farm.timezone).date()
    gone = [t for t in tickets if t.is_open and t.machine in replaced and replaced[t.machine] > t.opened_at]
    decided = [t for t in tickets if t.number in found and found[t.number].verdict.says != "waiting" and t not in gone]
    if not gone and not decided and not changes_due(fleet, tickets, rules, today):
        return TicketChanges()
    done: _Done = {"opened": [], "refreshed": [], "withdrawn": [], "proven": [], "came_back": []}

    def apply(transaction: TicketTransaction) -> None:
        # Somebody may have acted since the tickets were read: what no longer fits is left for the next pass, and
        # what is to be opened is found anew from the book as it stands in this transaction.
        now = {ticket.number: ticket for ticket in transaction.tickets()}
        for ticket in decided:
            if now[ticket.number].revision == ticket.revision:
                _decide(transaction, ticket, found[ticket.number], machines[ticket.machine], fleet.at, done)
        for ticket in gone:
            if now[ticket.number].revision == ticket.revision:
                _withdraw(transaction, ticket, "Another machine stands there now.", fleet.at, done)
        for change in changes_due(fleet, _begun(transaction.tickets(), fleet.at), rules, today):
            _carry_out(transaction, change, fleet.at, done)

    book.together(apply)
    return TicketChanges(**{name: tuple(found) for name, found in done.items()})


def _begun(tickets: Iterable[Ticket], at: datetime) -> list[Ticket]:
    """Without those that a clock far ahead opened: they count for nothing until their time comes."""
    return [ticket for ticket in tickets if ticket.opened_at <= at + BELIEVED_AHEAD]


def _decide(
    transaction: TicketTransaction,
    ticket: Ticket,
    proof: Proof,
    machine: Assessment,
    at: datetime,
    done: _Done,
) -> None:
    verdict = proof.verdict
    if verdict.says == "proven":
        remark = "As good as teeth allow; shims are what is left to do." if verdict.at_tooth_floor else ""
        why = f"{len(verdict.index)} probings at or under {verdict.bound_mm:.2f} mm. {remark}".strip()

        def close(found: Ticket) -> Ticket:
            return replace(found, closed_at=at, closed_range_mm=machine.condition_range_mm, remark=remark)

        done["proven"].append(transaction.act(ticket.number, "prove", at=at, by=PROGRAM, why=why, change=close))
        return
    since = proof.changed or _since_the_work(machine, ticket)
    still = "" if since else "Still "
    if since.endswith(NOT_AS_PLANNED):
        since = f"{since} {proof.did}".strip()
    what = since or proof.did or "What the work moved, no mesh from before it tells."
    why = f"{still}{proof.now_mm:.2f} mm; the target was {verdict.bound_mm:.2f}. {what}"

    def reopen(found: Ticket) -> Ticket:
        return replace(found.with_numbers(machine), remark=why)

    done["came_back"].append(transaction.act(ticket.number, "fail", at=at, by=PROGRAM, why=why, change=reopen))


def _since_the_work(machine: Assessment, ticket: Ticket) -> str:
    since = ticket.work_until
    # The work itself shows as a step, in the first mesh after it.
    after = [step for step in machine.steps if since is not None and step.at > since and step.name != "repair"]
    if not after:
        return ""
    last = after[-1]
    where = f" at {last.screw}" if last.screw else ""
    return f"Since the work: {last.name.replace('-', ' ')}{where}, {last.mm:+.2f} mm."


def _carry_out(transaction: TicketTransaction, change: TicketChange, at: datetime, done: _Done) -> None:
    ticket = change.ticket
    if change.kind == "open":
        opened = transaction.open(ticket, by=PROGRAM, why=change.why)
        if change.approve:
            opened = transaction.act(opened.number, "approve", at=at, by=PROGRAM, why="Approved by the farm's rule.")
        done["opened"].append(opened)
    elif change.kind == "withdraw":
        _withdraw(transaction, ticket, change.why, at, done)
    elif change.kind == "refresh":
        done["refreshed"].append(
            transaction.act(ticket.number, "refresh", at=at, by=PROGRAM, why=change.why, change=lambda _: ticket)
        )
    else:
        proven = change.kind == "prove"
        decided = transaction.act(
            ticket.number,
            change.kind,
            at=at,
            by=PROGRAM,
            why=change.why,
            change=lambda found: replace(found, closed_at=at if proven else None, remark=change.why),
        )
        done["proven" if proven else "came_back"].append(decided)


def _withdraw(transaction: TicketTransaction, ticket: Ticket, why: str, at: datetime, done: _Done) -> None:
    """Without a range it was closed at: the program's own withdrawal is no person's no."""
    done["withdrawn"].append(
        transaction.act(
            ticket.number,
            "withdraw",
            at=at,
            by=PROGRAM,
            why=why,
            change=lambda found: replace(found, closed_at=at, remark=why),
        )
    )


def _replaced_at(store: Store, until: datetime) -> dict[str, datetime]:
    """When each machine was last replaced by another."""
    return {note.machine: note.at for note in store.notes(until=until) if note.what == "replaced"}
