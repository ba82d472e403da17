"""Tickets: list them, show one, go through all of them, and what waits to be delivered; `ticket_steps` has the rest."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.fleet import CONDITIONS
from farmwatch.cli.screen import echo, paragraph, print_json
from farmwatch.cli.ticket_steps import NUMBER, STEPS
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.judge import Assessment
    from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["COMMANDS"]


PHASES = (
    "proposed", "approved", "in-work", "proving", "came-back", "proven", "accepted", "nothing-found", "withdrawn",
)  # fmt: skip
"""As `tickets.phases` has them, which no `--help` should have to load."""

_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document.")


def _book(app: App) -> TicketRepository:
    from farmwatch.tickets import TicketRepository

    return TicketRepository(app.store)


@click.group("ticket", short_help="Tickets: list, show, approve, take, done, accept, withdraw, ...")
def ticket() -> None:
    """List tickets, show one, and take it from its proposal to the proof that the repair held."""


@ticket.command("list", short_help="Show the open tickets, what comes first on top.")
@click.option("--all", "every", is_flag=True, help="Closed ones too.")
@click.option("--machine", metavar="NAME", help="Of this machine only.")
@click.option("--aisle", "aisles", multiple=True, metavar="NAME", help="Of this aisle only; may be given again.")
@click.option(
    "--phase", "phases", multiple=True, type=click.Choice(PHASES), help="In this phase only; may be given again."
)
@click.option("--condition", "conditions", multiple=True, type=click.Choice(CONDITIONS),
              help="Of machines in this condition only; may be given again.")  # fmt: skip
@click.option("--sort", "order", type=click.Choice(["due", "machine", "range", "number"]), default="due",
              help="What stands first: the first due, by machine, the largest range, by number.")  # fmt: skip
@_JSON
@pass_app
def list_(
    app: App,
    every: bool,
    machine: str | None,
    aisles: tuple[str, ...],
    phases: tuple[str, ...],
    conditions: tuple[str, ...],
    order: str,
    as_json: bool,
) -> None:
    """Show the open tickets, what comes first on top; closed ones too with --all or where --phase names their phase."""
    from farmwatch.cli.fleet import check_aisles
    from farmwatch.cli.ticket_list import show_tickets
    from farmwatch.tickets import proofs

    names = None if machine is None else [app.settings.machine(machine).name]
    check_aisles(app, aisles)
    here = {one.name for one in app.settings.machines if not aisles or one.aisle in aisles}
    every = every or bool(phases)
    found = [one for one in _book(app).tickets(names) if every or one.is_open]
    found = [one for one in found if not phases or one.phase in phases]
    # A machine that the configuration lists no more stands in no aisle.
    found = [one for one in found if not aisles or one.machine in here]
    now = app.now()
    judged = _judged(app, now, found)
    if conditions:
        # Of a closed ticket nobody judges the machine here: it is in no condition.
        found = [one for one in found if one.machine in judged and judged[one.machine].condition in conditions]
    found = [one.as_judged(judged.get(one.machine)) for one in found]
    if as_json:
        print_json({"schema": "farmwatch.tickets/1", "tickets": [one.document() for one in found]})
    else:
        shown = proofs(app.settings, app.store, found, now, judged)
        show_tickets(found, shown, now, app.settings.farm.timezone, order)


def _judged(app: App, now: datetime, tickets: Sequence[Ticket]) -> dict[str, Assessment]:
    """The machines of the open tickets that the configuration still has, as they are judged now."""
    known = {machine.name for machine in app.settings.machines}
    names = sorted({one.machine for one in tickets if one.is_open and one.machine in known})
    return {one.machine: one for one in app.assess(now, names).machines} if names else {}


@ticket.command("show", short_help="Show one ticket whole: work, cautions, moves.")
@NUMBER
@_JSON
@pass_app
def show(app: App, number: int, as_json: bool) -> None:
    """Show ticket NUMBER whole: work, cautions, moves, and what happened to it."""
    from farmwatch.cli.ticket_page import TicketPage, show_ticket
    from farmwatch.judge.learned import belief_from_turns
    from farmwatch.tickets import proofs

    book, now = _book(app), app.now()
    events = book.events(number)
    judged = _judged(app, now, [book.ticket(number)])
    one = book.ticket(number).as_judged(next(iter(judged.values()), None))
    if as_json:
        print_json({**one.document(), "events": [event.document() for event in events]})
        return
    machine = next((m for m in app.settings.machines if m.name == one.machine), None)
    model = app.settings.models[machine.model] if machine else None
    moves = app.store.moves([one.machine], read_by=app.settings.read_by)
    # What its own moves have shown comes before what the model says.
    counted = [] if model is None else [m for m in moves if m.teeth and m.counts_for(model)]
    turns = ((m.teeth, m.moved_mm, m.moved_sd_mm) for m in counted if m.teeth and m.moved_mm is not None)
    shown = [(teeth, mm, sd) for teeth, mm, sd in turns if sd]
    page = TicketPage(
        ticket=one,
        events=events,
        moves=[move for move in moves if move.ticket == number],
        proof=proofs(app.settings, app.store, [one], now, judged).get(number),
        model=model,
        belief=None if model is None else belief_from_turns(model, shown),
        judged=judged.get(one.machine),
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


for _step in STEPS:
    ticket.add_command(_step)

COMMANDS = (ticket,)
