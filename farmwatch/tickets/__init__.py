"""Maintenance tickets: from the first proposal to the proof by later readings, and their delivery."""

from farmwatch.tickets.deliver import DeliveryRound, announce, deliver_due
from farmwatch.tickets.document import event_document, ticket_document
from farmwatch.tickets.durability import Survival, kaplan_meier
from farmwatch.tickets.figures import Figures, figures_document, find_figures
from farmwatch.tickets.outbox import Delivery, Outbox
from farmwatch.tickets.phases import CLOSED, OPEN, PHASES, Action, Phase, possible
from farmwatch.tickets.progress import Proof, proofs, work_moves
from farmwatch.tickets.proposing import is_accepted, is_settled, plan_document, plan_of
from farmwatch.tickets.repository import TicketRepository, TicketTransaction
from farmwatch.tickets.then import as_of
from farmwatch.tickets.ticket import NEEDS_TECHNICIAN, Ticket, TicketCause, TicketEvent
from farmwatch.tickets.updates import PROGRAM, TicketChanges, update_tickets
from farmwatch.tickets.webhook import DeliveryFault

__all__ = [
    "CLOSED",
    "NEEDS_TECHNICIAN",
    "OPEN",
    "PHASES",
    "PROGRAM",
    "Action",
    "Delivery",
    "DeliveryFault",
    "DeliveryRound",
    "Figures",
    "Outbox",
    "Phase",
    "Proof",
    "Survival",
    "Ticket",
    "TicketCause",
    "TicketChanges",
    "TicketEvent",
    "TicketRepository",
    "TicketTransaction",
    "announce",
    "as_of",
    "deliver_due",
    "event_document",
    "figures_document",
    "find_figures",
    "is_accepted",
    "is_settled",
    "kaplan_meier",
    "plan_document",
    "plan_of",
    "possible",
    "proofs",
    "ticket_document",
    "update_tickets",
    "work_moves",
]  # fmt: skip
