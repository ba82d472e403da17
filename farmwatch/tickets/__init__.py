"""Maintenance tickets: from the first proposal to the proof by later readings, and their delivery."""

from farmwatch.tickets.book import Book, Move, Writing
from farmwatch.tickets.durability import Survival, kaplan_meier
from farmwatch.tickets.phases import CLOSED, OPEN, PHASES, Action, Phase, possible
from farmwatch.tickets.ticket import HANDS, Matter, Ticket, TicketEvent

__all__ = [
    "CLOSED",
    "HANDS",
    "OPEN",
    "PHASES",
    "Action",
    "Book",
    "Matter",
    "Move",
    "Phase",
    "Survival",
    "Ticket",
    "TicketEvent",
    "Writing",
    "kaplan_meier",
    "possible",
]
