"""The steps a person takes with a ticket: approve, take, put back, done, accept, nothing found, withdraw."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.errors import InputError
from farmwatch.judge.tables import METHODS
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.tickets import Ticket, phases

__all__ = ["NUMBER", "STEPS", "finished_at", "who"]


_BY = click.option("--by", metavar="WHO", help="Who says so; the user of this computer if left out.")
_WHY = click.option("--why", default="", metavar="TEXT", help="A line on it.")
LARGEST_NUMBER = 2**31 - 1


def _resolved(context: click.Context, _: click.Parameter, value: str) -> int:
    """A ticket's number as given, or that of the machine's ticket: its open one, else the one last closed."""
    from farmwatch.tickets import TicketRepository

    if value.isdecimal():
        if not 1 <= int(value) <= LARGEST_NUMBER:
            raise click.BadParameter(f"{value} is no ticket's number")
        return int(value)
    app = context.find_object(App)
    assert app is not None  # the command group makes it
    machine = app.settings.machine(value).name
    mine = TicketRepository(app.store).tickets([machine])
    if not mine:
        raise InputError(f"{machine} has no ticket; to open one: farmwatch ticket open {machine} --why TEXT")
    # The bed before the host, the newest first.
    return max(mine, key=lambda one: (one.is_open, one.cause != "host", one.number)).number


NUMBER = click.argument("number", metavar="NUMBER|MACHINE", callback=_resolved)


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
    from farmwatch.tickets.steps import line

    return line(text, what)


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
    from farmwatch.tickets import Outbox, TicketRepository

    now = app.now()
    done = TicketRepository(app.store).act(number, action, at=now, by=who(by), why=words(why, "--why"), change=change)
    Outbox(app.store).announce(app.settings, now)
    return done


@click.command("open", short_help="Open a ticket for a machine by hand.")
@click.argument("machine")
@click.option("--why", required=True, metavar="TEXT", help="The reason; it stays on the ticket.")
@click.option("--cause", type=click.Choice(["screws", "plate", "both", "frame", "probe", "host"]),
              help="What it is about; what the machine is judged to have if left out.")  # fmt: skip
@_BY
@pass_app
def open_(app: App, machine: str, why: str, cause: Any, by: str | None) -> None:
    """Open a ticket for MACHINE that no reading has proposed; readings alone do not withdraw it."""
    from farmwatch.tickets import Outbox, open_by_hand

    if not words(why, "--why"):
        raise InputError("--why is empty; say why the ticket is opened")
    now, name = app.now(), app.settings.machine(machine).name
    Outbox(app.store).announce(app.settings, now)
    opened = open_by_hand(app.settings, app.store, app.assess(now, [name]), name, cause, words(why, "--why"), who(by))
    Outbox(app.store).announce(app.settings, now)
    echo(f"ticket {opened.number}: {sanitize(name)}, {opened.phase}")


@click.command("reopen", short_help="Open a closed ticket again.")
@NUMBER
@_BY
@click.option("--why", required=True, metavar="TEXT", help="The reason; it stays on the ticket.")
@pass_app
def reopen(app: App, number: int, by: str | None, why: str) -> None:
    """Open the closed ticket NUMBER again: a proven one as one whose check failed, any other as proposed."""
    if not words(why, "--why"):
        raise InputError("--why is empty; say why the ticket is opened again")
    from farmwatch.tickets import steps

    _act(app, number, "reopen", by, why, steps.opened_again(words(why, "--why")))


@click.command("undo", short_help="Take back the last step of a ticket, within a day.")
@NUMBER
@_BY
@pass_app
def undo(app: App, number: int, by: str | None) -> None:
    """Take back the last step that a person took with ticket NUMBER, no more than a day ago."""
    from farmwatch.tickets import Outbox, TicketRepository

    now, book = app.now(), TicketRepository(app.store)
    undone = book.undo(number, at=now, by=who(by))
    Outbox(app.store).announce(app.settings, now)
    one = book.ticket(number)
    echo(f"ticket {number}: {sanitize(one.machine)}, {one.phase} again; undone: {undone.action}")


@click.command("assign", short_help="Give an approved ticket to somebody.")
@NUMBER
@click.option("--to", "owner", required=True, metavar="WHO", help="Who is to do the work.")
@_BY
@pass_app
def assign(app: App, number: int, owner: str, by: str | None) -> None:
    """Give the approved ticket NUMBER to somebody."""
    _act(app, number, "assign", by, _owner(owner, "--to"))


def _owner(name: str, what: str) -> str:
    said = words(name, what)
    if not said:
        raise InputError(f"{what} is empty; say who is to do the work")
    return said


@click.command("approve")
@NUMBER
@click.option("--for", "owner", metavar="WHO", help="Who is to do the work.")
@_BY
@_WHY
@pass_app
def approve(app: App, number: int, owner: str | None, by: str | None, why: str) -> None:
    """Approve the work that ticket NUMBER proposes."""
    given = None if owner is None else _owner(owner, "--for")
    if given is None:
        _act(app, number, "approve", by, why)
        return
    _do(app, number, "approve", by, why, None)
    done = _do(app, number, "assign", by, given, None)
    echo(f"ticket {number}: {sanitize(done.machine)}, {done.phase} for {sanitize(given)}")


@click.command("take", short_help="Take a ticket to work on it.")
@NUMBER
@_BY
@_WHY
@pass_app
def take(app: App, number: int, by: str | None, why: str) -> None:
    """Take ticket NUMBER to work on it; readings from now on count as taken during work."""
    from farmwatch.tickets import steps

    _act(app, number, "take", by, why, steps.taken(app.now()))


@click.command("put-back", short_help="Put a ticket back undone.")
@NUMBER
@_BY
@_WHY
@pass_app
def put_back(app: App, number: int, by: str | None, why: str) -> None:
    """Put ticket NUMBER back undone; somebody else may take it."""
    from farmwatch.tickets import steps

    _act(app, number, "put-back", by, why, steps.put_back())


@click.command("done", short_help="Say that the work is done; the next probings prove it.")
@NUMBER
@click.option("--method", type=click.Choice(METHODS), help="What was done; the ticket's first advice if left out.")
@_BY
@_WHY
@pass_app
def done(app: App, number: int, method: str | None, by: str | None, why: str) -> None:
    """Say that the work of ticket NUMBER is done; the next probings prove it, or send it back."""
    _act(app, number, "done", by, why, finished_at(app.now(), method))


def finished_at(now: datetime, method: str | None) -> Callable[[Ticket], Ticket]:
    """What `done` writes on a ticket."""
    from farmwatch.tickets import steps

    return steps.finished(now, method)


@click.command("accept", short_help="Accept a machine as it is, up to a range and until a day.")
@NUMBER
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
    from farmwatch.tickets import steps

    now = app.now()
    end = None if until is None else read_day(until, app.settings.farm.timezone)
    if end is not None and end <= now:
        raise InputError(f"--until {until} is past; wanted a day to come")

    write = steps.accepted(now, limit, end, named="--limit")
    one = _do(app, number, "accept", by, why, write)
    terms = accepted_phrase(one, app.settings.farm.timezone)
    paragraph(f"ticket {number}: {sanitize(one.machine)}, accepted {terms}; {end_of_acceptance(one)}", hang=2)


@click.command("nothing-found", short_help="Say that nothing was wrong at the machine.")
@NUMBER
@_BY
@_WHY
@pass_app
def nothing_found(app: App, number: int, by: str | None, why: str) -> None:
    """Say that nothing was wrong at the machine of ticket NUMBER; it counts against the judgement."""
    from farmwatch.tickets import steps

    _act(app, number, "nothing-found", by, why, steps.nothing_found(app.now()))


@click.command("withdraw", short_help="Withdraw a ticket, or end an acceptance.")
@NUMBER
@_BY
@click.option("--why", required=True, metavar="TEXT", help="The reason; it stays on the ticket.")
@pass_app
def withdraw(app: App, number: int, by: str | None, why: str) -> None:
    """Withdraw ticket NUMBER, with a reason.

    Of an accepted one it ends the acceptance: the machine is proposed anew if it is still past the limit.
    """
    if not words(why, "--why"):
        raise InputError("--why is empty; say why the ticket is withdrawn")
    from farmwatch.tickets import steps

    write = steps.withdrawn(app.now())
    ends: list[Ticket] = []

    def ending(one: Ticket) -> Ticket:
        ends.extend([one] if one.phase == "accepted" else [])
        return write(one)

    _act(app, number, "withdraw", by, why, ending)
    if ends:
        paragraph("the acceptance has ended; a ticket is proposed anew while the machine is past the limit", hang=2)


STEPS = (open_, approve, assign, take, put_back, done, accept, nothing_found, withdraw, reopen, undo)
