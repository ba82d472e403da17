"""A machine that the configuration no longer lists: what is kept of it, shown and not judged."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from farmwatch.cli.app import App
from farmwatch.cli.screen import echo, paragraph, width
from farmwatch.text import clock, count, mm, sanitize

if TYPE_CHECKING:
    from farmwatch.history import History

__all__ = ["show_removed"]

_MOST = 8


def show_removed(app: App, name: str, at: datetime) -> bool:
    """Show the history of a machine that is only in the database; returns whether it is there."""
    if not app.settings.farm.database.exists() or name not in app.store.machines_known():
        return False
    plain = sanitize(name)
    paragraph(f"{plain}  (no longer in the configuration: shown, not judged)", strong=True)
    history = app.store.histories([name], at).get(name)
    if history is not None and len(history):
        _show_readings(app, history)
    _show_entries(app, name, at)
    echo()
    paragraph(f"Where it has a new name there: farmwatch rename {plain} NEW", hang=2)
    return True


def _show_readings(app: App, history: History) -> None:
    from farmwatch.cli.charts import bed_map, history_lines
    from farmwatch.judge.assessment import Trace

    zone, ranges = app.settings.farm.timezone, history.ranges().tolist()
    first, last = (clock(datetime.fromtimestamp(history.taken_at[i], UTC), zone) for i in (0, -1))
    paragraph(f"{count(len(history), 'reading')}, {first} to {last}; range of the last {mm(ranges[-1])} mm", hang=2)
    echo()
    echo("The bed as it was read last, as you face the machine", strong=True)
    sheet, caption = bed_map(history.mesh(-1), columns=min(width(), 80))
    for line in sheet:
        echo(line)
    for line in caption:
        paragraph(line)
    if len(history) < 2:
        return
    echo()
    echo("History", strong=True)
    trace = Trace(at=tuple(history.taken_at.tolist()), range_mm=tuple(ranges), judged=(False,) * len(history))
    lines, words = history_lines(trace, app.settings.limits, zone, width() - 2)
    for line in lines:
        echo(f"  {line}")
    paragraph(words, indent=10)


def _show_entries(app: App, name: str, at: datetime) -> None:
    """Its notes and tickets, the newest first."""
    from farmwatch.tickets import TicketRepository

    zone = app.settings.farm.timezone
    notes = app.store.notes([name], at)
    tickets = [ticket for ticket in TicketRepository(app.store).tickets([name]) if ticket.opened_at <= at]
    if notes or tickets:
        echo()
        echo("Notes and tickets", strong=True)
    for note in notes[: -_MOST - 1 : -1]:
        said = f": {sanitize(note.text)}" if note.text else ""
        paragraph(f"{clock(note.at, zone)}  {note.what}{said}", indent=2, hang=2)
    for ticket in tickets[: -_MOST - 1 : -1]:
        paragraph(f"ticket {ticket.number}: {ticket.phase} since {clock(ticket.changed_at, zone)}", indent=2, hang=2)
