"""Due work as an iCalendar file (RFC 5545) beside the reports: one VTODO a ticket that waits for hands."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from typing import TYPE_CHECKING

from farmwatch.config import Settings
from farmwatch.files import replacing
from farmwatch.judge import CAUTIONS, CAUTIONS_FOOT
from farmwatch.store import Store
from farmwatch.text import day_of
from farmwatch.tickets.delivery import Delivery, DeliveryFault, Draft, News
from farmwatch.tickets.repository import TicketRepository
from farmwatch.tickets.ticket import Ticket

if TYPE_CHECKING:
    from icalendar import Todo

__all__ = ["due_work", "file_of_due_work", "send"]

FILE = "due-work.ics"

# RFC 5545, 3.8.1.9: 1 is the highest priority, 9 the lowest.
_PRIORITY = {1: 1, 2: 5, 3: 9}
_STATUS = {"in-work": "IN-PROCESS"}


def file_of_due_work(news: News) -> list[Draft]:
    """The file is written anew once for every state of the tickets, known by how often they were changed."""
    if not news.tickets:
        return []
    changes = sum(ticket.revision for ticket in news.tickets.values())
    return [Draft(f"calendar/change-{changes}", "calendar", "")]


def send(settings: Settings, store: Store, _: Delivery) -> None:
    """Write the file as the tickets stand now; raises DeliveryFault where it cannot be written."""
    target = settings.farm.reports / FILE
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacing(target) as beside:
            beside.write_bytes(due_work(settings, TicketRepository(store).tickets()))
    except OSError as fault:
        raise DeliveryFault(f"{target}: {fault.strerror}") from None


def due_work(settings: Settings, tickets: Sequence[Ticket]) -> bytes:
    """The file's bytes; the same tickets give the same bytes. Times UTC, due days are the farm's dates."""
    from icalendar import Calendar, vText

    calendar = Calendar()
    calendar.add("prodid", "-//farmwatch//due work//EN")
    calendar.add("version", "2.0")
    # RFC 7986, 5.1: NAME is TEXT, which the library would not escape by itself here.
    calendar.add("name", vText(f"Due work, {settings.farm.name}"))
    for ticket in sorted(tickets, key=lambda found: found.number):
        if ticket.phase in ("proposed", "approved", "in-work", "came-back") or _to_probe(ticket):
            calendar.add_component(_todo(settings, ticket))
    data: bytes = calendar.to_ical()
    return data


def _to_probe(ticket: Ticket) -> bool:
    """Whether its work is done and a hot mesh is to prove it: a host's own ticket needs none."""
    return ticket.phase == "proving" and ticket.cause != "host"


def _todo(settings: Settings, ticket: Ticket) -> Todo:
    from icalendar import Todo

    todo = Todo()
    todo.add("uid", f"ticket-{ticket.number}@{_domain(settings.farm.name)}")
    todo.add("dtstamp", ticket.changed_at.astimezone(UTC))
    todo.add("created", ticket.opened_at.astimezone(UTC))
    todo.add("last-modified", ticket.changed_at.astimezone(UTC))
    todo.add("sequence", ticket.revision)
    todo.add("summary", f"{ticket.machine}: {_work(settings, ticket)}")
    todo.add("description", _described(ticket))
    todo.add("priority", _PRIORITY.get(ticket.priority, 5))
    todo.add("status", _STATUS.get(ticket.phase, "NEEDS-ACTION"))
    if ticket.due is not None and not _to_probe(ticket):
        # RFC 5545, 3.8.2.3: DUE with a DATE value, and DTSTART of the same kind before it.
        todo.add("due", ticket.due)
    return todo


def _work(settings: Settings, ticket: Ticket) -> str:
    if _to_probe(ticket) and ticket.work_until is not None:
        return f"work done {day_of(ticket.work_until, settings.farm.timezone, year=False)}; do not turn; probe hot"
    return ", then ".join(advice.replace("-", " ") for advice in ticket.advice) or "look at it"


def _described(ticket: Ticket) -> str:
    lines = [f"Ticket {ticket.number}, {ticket.phase}."]
    if _to_probe(ticket):
        lines.append("Do not turn anything: what is known is from before the work. Probe it hot.")
    elif ticket.range_mm is not None:
        lines.append(f"Range {ticket.range_mm:.2f} mm.")
    if ticket.predicted_mm is not None and not _to_probe(ticket):
        lines.append(f"The work should leave {ticket.predicted_mm:.2f} mm.")
    if ticket.note:
        lines.append(ticket.note)
    has = "says what counts" if _to_probe(ticket) else "has the moves"
    lines.append(f"farmwatch ticket show {ticket.number} {has}.")
    if ticket.cause != "host" and not _to_probe(ticket):
        lines.append("Before the first move:")
        lines += [f"{number}. {caution}" for number, caution in enumerate(CAUTIONS, start=1)]
        lines.append(CAUTIONS_FOOT)
    return "\n".join(lines)


def _domain(name: str) -> str:
    """A farm's name as the right side of a UID: letters, digits and hyphens only."""
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name.lower())
    return kept.strip("-") or "farm"
