"""Tickets: list, show, and every step a person takes with one."""

from __future__ import annotations

import getpass
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, print_json
from farmwatch.errors import InputError
from farmwatch.judge.tables import ADVICE
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.tickets import Ticket, TicketRepository, phases

__all__ = ["COMMANDS", "who"]

METHODS = (*(advice for advice, row in ADVICE.items() if row.method), "other")
LONGEST_WORDS = 300

_BY = click.option("--by", metavar="WHO", help="Who says so; the user of this computer if left out.")
_WHY = click.option("--why", default="", metavar="TEXT", help="A line on it.")
_NUMBER = click.argument("number", type=click.IntRange(min=1, max=2**31 - 1))
_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document.")


def who(by: str | None) -> str:
    """The person who acts: as given, or this computer's user."""
    if by is not None:
        return words(by, "--by") or _user()
    return _user()


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        # A container may run under a number without a name.
        return "somebody"


def words(text: str, what: str) -> str:
    """A line that a person typed; raises InputError for more than a line."""
    if len(text) > LONGEST_WORDS or not text.isprintable():
        raise InputError(f"{what}: wanted a line of at most {LONGEST_WORDS} printable characters")
    return text.strip()


def _book(app: App) -> TicketRepository:
    from farmwatch.tickets import TicketRepository

    return TicketRepository(app.store)


@click.group("ticket", short_help="Tickets: list, show, approve, take, done, accept, withdraw, ...")
def ticket() -> None:
    """List tickets, show one, and take it from its proposal to the proof that the repair held."""


@ticket.command("list")
@click.option("--all", "every", is_flag=True, help="Closed ones too.")
@click.option("--machine", metavar="NAME", help="Of this machine only.")
@_JSON
@pass_app
def list_(app: App, every: bool, machine: str | None, as_json: bool) -> None:
    """Show the open tickets, what comes first on top."""
    from farmwatch.cli.ticket_list import show_tickets
    from farmwatch.tickets import proofs

    names = None if machine is None else [app.settings.machine(machine).name]
    found = [one for one in _book(app).tickets(names) if every or one.is_open]
    if as_json:
        print_json({"schema": "farmwatch.tickets/1", "tickets": [one.document() for one in found]})
    else:
        now = app.now()
        show_tickets(found, proofs(app.settings, app.store, found, now), now, app.settings.farm.timezone)


@ticket.command("show", short_help="Show one ticket whole: work, cautions, moves.")
@_NUMBER
@_JSON
@pass_app
def show(app: App, number: int, as_json: bool) -> None:
    """Show ticket NUMBER whole: work, cautions, moves, and what happened to it."""
    from farmwatch.cli.ticket_page import TicketPage, show_ticket
    from farmwatch.judge.learned import belief_from_turns
    from farmwatch.tickets import proofs

    book = _book(app)
    one, events = book.ticket(number), book.events(number)
    if as_json:
        print_json({**one.document(), "events": [event.document() for event in events]})
        return
    machine = next((m for m in app.settings.machines if m.name == one.machine), None)
    model = app.settings.models[machine.model] if machine else None
    moves, now = app.store.moves([one.machine]), app.now()
    # What its own moves have shown comes before what the model says.
    turns = ((m.teeth, m.moved_mm, m.moved_sd_mm) for m in moves if m.teeth and m.moved_mm is not None)
    shown = [(teeth, mm, sd) for teeth, mm, sd in turns if sd]
    page = TicketPage(
        ticket=one,
        events=events,
        moves=[move for move in moves if move.ticket == number],
        proof=proofs(app.settings, app.store, [one], now).get(number),
        model=model,
        belief=None if model is None else belief_from_turns(model, shown),
        now=now,
        zone=app.settings.farm.timezone,
    )
    show_ticket(page)


@ticket.command("propose", short_help="Go through all tickets now, as the service does by itself.")
@pass_app
def propose(app: App) -> None:
    """Go through the farm once, now: open tickets, refresh, withdraw, prove them.

    The service (farmwatch run) does it by itself: for a machine with something new within about five minutes, for the
    whole farm each night and before each weekly report.
    """
    from farmwatch.tickets import Outbox, update_tickets

    now = app.now()
    Outbox(app.store).announce(app.settings, now)
    done = update_tickets(app.settings, app.store, app.assess(now))
    Outbox(app.store).announce(app.settings, now)
    parts = [
        ("opened", done.opened), ("refreshed", done.refreshed), ("withdrawn", done.withdrawn),
        ("proven", done.proven), ("came back", done.came_back),
    ]  # fmt: skip
    said = [f"{name} {', '.join(_numbered(one) for one in found)}" for name, found in parts if found]
    paragraph("; ".join(said) or "nothing has changed", hang=2)


def _numbered(one: Ticket) -> str:
    return f"{one.number} ({sanitize(one.machine)})"


def _act(
    app: App,
    number: int,
    action: phases.Action,
    by: str | None,
    why: str,
    change: Callable[[Ticket], Ticket] | None = None,
) -> Ticket:
    done = _do(app, number, action, by, why, change)
    echo(f"ticket {number}: {sanitize(done.machine)}, {done.phase}")
    return done


def _do(
    app: App, number: int, action: phases.Action, by: str | None, why: str, change: Callable[[Ticket], Ticket] | None
) -> Ticket:
    from farmwatch.tickets import Outbox

    now = app.now()
    done = _book(app).act(number, action, at=now, by=who(by), why=words(why, "--why"), change=change)
    Outbox(app.store).announce(app.settings, now)
    return done


@ticket.command("approve")
@_NUMBER
@_BY
@_WHY
@pass_app
def approve(app: App, number: int, by: str | None, why: str) -> None:
    """Approve the work that ticket NUMBER proposes."""
    _act(app, number, "approve", by, why)


@ticket.command("take", short_help="Take a ticket to work on it.")
@_NUMBER
@_BY
@_WHY
@pass_app
def take(app: App, number: int, by: str | None, why: str) -> None:
    """Take ticket NUMBER to work on it; readings from now on count as taken during work."""
    now = app.now()
    _act(app, number, "take", by, why, lambda one: replace(one, work_from=now, work_until=None))


@ticket.command("put-back", short_help="Put a ticket back undone.")
@_NUMBER
@_BY
@_WHY
@pass_app
def put_back(app: App, number: int, by: str | None, why: str) -> None:
    """Put ticket NUMBER back undone; somebody else may take it."""
    _act(app, number, "put-back", by, why, lambda one: replace(one, work_from=None))


@ticket.command("done", short_help="Say that the work is done; the next probings prove it.")
@_NUMBER
@click.option("--method", type=click.Choice(METHODS), help="What was done; the ticket's first advice if left out.")
@_BY
@_WHY
@pass_app
def done(app: App, number: int, method: str | None, by: str | None, why: str) -> None:
    """Say that the work of ticket NUMBER is done; the next probings prove it, or send it back."""
    now = app.now()
    _act(app, number, "done", by, why, finished_at(now, method))


def finished_at(now: datetime, method: str | None) -> Callable[[Ticket], Ticket]:
    """What `done` writes on a ticket."""

    def write(one: Ticket) -> Ticket:
        first = next((advice for advice in one.advice if advice in METHODS), "other")
        # A host that answers again needs no probing: its next answer closes the ticket.
        return replace(one, work_until=now, method=method or first)

    return write


@ticket.command("accept", short_help="Accept a machine as it is, up to a range and until a day.")
@_NUMBER
@click.option(
    "--limit",
    type=click.FloatRange(0, 20, min_open=True),
    metavar="MM",
    help="Accepted up to this range; any range if left out.",
)
@click.option("--until", metavar="DATE", help="Accepted until this day; with no end if left out.")
@_BY
@_WHY
@pass_app
def accept(app: App, number: int, limit: float | None, until: str | None, by: str | None, why: str) -> None:
    """Accept the machine of ticket NUMBER as it is; no ticket is proposed while that holds.

    Without --limit that holds at any range, without --until with no end. `farmwatch ticket withdraw NUMBER` ends it.
    """
    from farmwatch.cli.app import read_day
    from farmwatch.cli.ticket_list import accepted_phrase
    from farmwatch.cli.ticket_page import end_of_acceptance

    now = app.now()
    end = None if until is None else read_day(until, app.settings.farm.timezone)
    if end is not None and end <= now:
        raise InputError(f"--until {until} is past; wanted a day to come")

    def write(one: Ticket) -> Ticket:
        if limit is not None and (one.range_mm is None or not math.isfinite(limit) or limit < one.range_mm):
            has = "has no range" if one.range_mm is None else f"has {one.range_mm:.3f} mm"
            raise InputError(f"--limit {limit:g}: the machine {has}; accepted would be what it is not")
        return replace(one, closed_at=now, closed_range_mm=one.range_mm, accepted_limit_mm=limit, accepted_until=end)

    one = _do(app, number, "accept", by, why, write)
    terms = accepted_phrase(one, app.settings.farm.timezone)
    paragraph(f"ticket {number}: {sanitize(one.machine)}, accepted {terms}; {end_of_acceptance(one)}", hang=2)


@ticket.command("nothing-found", short_help="Say that nothing was wrong at the machine.")
@_NUMBER
@_BY
@_WHY
@pass_app
def nothing_found(app: App, number: int, by: str | None, why: str) -> None:
    """Say that nothing was wrong at the machine of ticket NUMBER; it counts against the judgement."""
    now = app.now()
    _act(
        app,
        number,
        "nothing-found",
        by,
        why,
        lambda one: replace(one, closed_at=now, work_until=now, closed_range_mm=one.range_mm),
    )


@ticket.command("withdraw", short_help="Withdraw a ticket, or end an acceptance.")
@_NUMBER
@_BY
@click.option("--why", required=True, metavar="TEXT", help="The reason; it stays on the ticket.")
@pass_app
def withdraw(app: App, number: int, by: str | None, why: str) -> None:
    """Withdraw ticket NUMBER, with a reason.

    Of an accepted one it ends the acceptance: the machine is proposed anew if it is still past the limit.
    """
    if not words(why, "--why"):
        raise InputError("--why is empty; say why the ticket is withdrawn")
    now = app.now()
    ends: list[Ticket] = []

    def write(one: Ticket) -> Ticket:
        if one.phase != "accepted":
            return replace(one, closed_at=now, closed_range_mm=one.range_mm)
        ends.append(one)
        # Without a range it was closed at nothing is settled by it, and the machine can be proposed at once.
        return replace(one, closed_at=now, closed_range_mm=None)

    _act(app, number, "withdraw", by, why, write)
    if ends:
        paragraph("the acceptance has ended; a ticket is proposed anew while the machine is past the limit", hang=2)


@ticket.command("figures", short_help="How long repairs hold, how often we were right, what is needed.")
@_JSON
@pass_app
def figures(app: App, as_json: bool) -> None:
    """Show what the farm learns: how long repairs hold, how often we were right, hands and parts needed."""
    from farmwatch.cli.ticket_page import show_figures
    from farmwatch.tickets import Figures

    now, book = app.now(), _book(app)
    models = {machine.name: machine.model for machine in app.settings.machines}
    found = Figures.of(book.tickets(), book.events(), models, now)
    if as_json:
        print_json(found.document(now))
    else:
        show_figures(found)


@ticket.command("deliveries")
@pass_app
def deliveries(app: App) -> None:
    """Show what still waits to be delivered, and why."""
    from farmwatch.cli.ticket_page import show_deliveries
    from farmwatch.tickets import Outbox

    show_deliveries(Outbox(app.store), app.now(), app.settings.farm.timezone)


@ticket.command("give-up")
@click.argument("key")
@pass_app
def give_up(app: App, key: str) -> None:
    """Give up the delivery KEY; it is never tried again."""
    from farmwatch.tickets import Outbox

    Outbox(app.store).give_up(key, app.now())
    echo(f"given up: {sanitize(key)}")


COMMANDS = (ticket,)
