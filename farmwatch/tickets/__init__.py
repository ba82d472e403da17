"""Maintenance tickets: from the first proposal to the proof by later readings, and their delivery."""

from farmwatch.tickets.book import Book, Writing
from farmwatch.tickets.deliver import DeliveryRound, announce, deliver_due
from farmwatch.tickets.document import event_document, ticket_document
from farmwatch.tickets.durability import Survival, kaplan_meier
from farmwatch.tickets.figures import Figures, figures_document, find_figures
from farmwatch.tickets.outbox import Letter, Outbox
from farmwatch.tickets.phases import CLOSED, OPEN, PHASES, Action, Phase, possible
from farmwatch.tickets.progress import Proof, proofs, work_moves
from farmwatch.tickets.proposing import is_accepted, is_settled, plan_document, plan_of
from farmwatch.tickets.step import PROGRAM, BookStep, step_book
from farmwatch.tickets.then import tickets_at
from farmwatch.tickets.ticket import HANDS, Matter, Ticket, TicketEvent
from farmwatch.tickets.webhook import DeliveryFault

__all__ = [
    "CLOSED", "HANDS", "OPEN", "PHASES", "PROGRAM", "Action", "Book", "BookStep", "DeliveryFault", "DeliveryRound",
    "Figures", "Letter", "Matter", "Outbox", "Phase", "Proof", "Survival", "Ticket", "TicketEvent", "Writing",
    "announce", "deliver_due", "event_document", "figures_document", "find_figures", "is_accepted", "is_settled",
    "kaplan_meier", "plan_document", "plan_of", "possible", "proofs", "step_book", "ticket_document", "tickets_at",
    "work_moves",
]  # fmt: skip
