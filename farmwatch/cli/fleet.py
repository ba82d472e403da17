"""What farmwatch says of the farm: the fleet, one machine, the assessment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import print_json
from farmwatch.errors import InputError
from farmwatch.text import did_you_mean

if TYPE_CHECKING:
    from farmwatch.judge import FleetAssessment
    from farmwatch.tickets import Ticket

__all__ = ["COMMANDS", "CONDITIONS", "FAIL_ON", "check_aisles"]

NEEDS_ATTENTION = 3
CONDITIONS = ("past-limit", "usable", "ideal", "unknown")
FAIL_ON = click.option(
    "--fail-on", type=click.Choice(["past-limit"]), help="Exit 3 when a machine in service is in this condition."
)
_AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document in place of the table.")
_AT = click.option("--at", metavar="TIME", help="As of this time; farm time where it has no offset.")


@click.command("fleet", short_help="Every machine's condition, worst first.")
@_AS_JSON
@FAIL_ON
@_AT
@click.option("--aisle", "aisles", multiple=True, metavar="NAME", help="Of this aisle only; may be given again.")
@click.option("--condition", "conditions", multiple=True, type=click.Choice(CONDITIONS),
              help="In this condition only; may be given again.")  # fmt: skip
@click.option("--needs-work", is_flag=True, help="Only those that somebody is to work on.")
@click.option("--sort", "order", type=click.Choice(["worst", "name", "range", "age"]), default="worst",
              help="What stands first: the worst, by name, the largest range, the oldest mesh.")  # fmt: skip
@pass_app
def fleet(
    app: App,
    as_json: bool,
    fail_on: str | None,
    at: str | None,
    aisles: tuple[str, ...],
    conditions: tuple[str, ...],
    needs_work: bool,
    order: str,
) -> None:
    """Show every machine's condition, worst first; of some aisles or conditions alone where these are named."""
    from farmwatch.cli import fleet_table
    from farmwatch.cli.fleet_table import fleet_document, narrowed, needs_attention, show_fleet

    check_aisles(app, aisles)
    whole = app.fleet() if at is None else app.assess(app.moment(at))
    accepted = {} if as_json and not needs_work else _accepted(app, whole)
    found = narrowed(whole, aisles, conditions, lambda m: not needs_work or fleet_table.needs_work(m, accepted))
    if as_json:
        print_json(fleet_document(found, order))
    else:
        zone = app.settings.farm.timezone
        show_fleet(found, app.settings.farm.name, zone, accepted=accepted, order=order)
    if fail_on and needs_attention(found.machines):
        click.get_current_context().exit(NEEDS_ATTENTION)


@click.command("machine", short_help="One machine: numbers, history, plan, map of the bed.")
@click.argument("name")
@_AT
@pass_app
def machine(app: App, name: str, at: str | None) -> None:
    """Show machine NAME: numbers, history, what to do there, and the bed as a map."""
    from farmwatch.cli.machine_page import show_machine
    from farmwatch.cli.removed_machine import show_removed
    from farmwatch.cli.reread import show_left_out
    from farmwatch.cli.set_aside import show_set_aside

    moment = app.moment(at)
    if all(one.name != name for one in app.settings.machines) and show_removed(app, name, moment):
        return
    found = app.assess(moment, [name])
    accepted = _accepted(app, found).get(found.machines[0].machine)
    show_machine(found.machines[0], found.limits, app.settings.farm.timezone, found.at, accepted)
    show_left_out(app, [found.machines[0].machine])
    show_set_aside(app, found.machines[0].machine)


@click.command("assess", short_help="The fleet with its reasons; --json: all that is known.")
@_AT
@click.option("--machine", "names", multiple=True, metavar="NAME", help="Only this one; may be given again.")
@_AS_JSON
@FAIL_ON
@click.option("--jobs", type=click.IntRange(1, 64), default=1, metavar="N",
              help="Share what is to be found anew among N processes (from some 1,000 machines on).")  # fmt: skip
@pass_app
def assess(app: App, at: str | None, names: tuple[str, ...], as_json: bool, fail_on: str | None, jobs: int) -> None:
    """Say what is known of every machine at a time, and what its advice rests on.

    --json prints the whole of it, for other programs: numbers, plans, drift, steps and forecasts.
    """
    from farmwatch.cli.fleet_table import needs_attention, show_fleet
    from farmwatch.judge import assessment_document

    found = app.assess(app.moment(at), list(names) or None, jobs)
    if as_json:
        print_json(assessment_document(found))
    else:
        accepted = _accepted(app, found)
        show_fleet(found, app.settings.farm.name, app.settings.farm.timezone, accepted=accepted, reasons=True)
    if fail_on and needs_attention(found.machines):
        click.get_current_context().exit(NEEDS_ATTENTION)


def check_aisles(app: App, aisles: Sequence[str]) -> None:
    """Raises InputError for an aisle in which no machine stands."""
    known = sorted({machine.aisle for machine in app.settings.machines if machine.aisle})
    for aisle in aisles:
        if aisle not in known:
            here = ", ".join(known) or "the configuration names none"
            raise InputError(f"no machine stands in an aisle {aisle!r}; aisles: {here}{did_you_mean(aisle, known)}")


def _accepted(app: App, found: FleetAssessment) -> Mapping[str, Ticket]:
    """The machines past the limit that a ticket accepts as they are, at the time of what was found."""
    from farmwatch.report import accepted_machines
    from farmwatch.tickets import TicketRepository, as_of

    book = TicketRepository(app.store)
    return accepted_machines(found.machines, as_of(book.tickets(), book.events(), found.at), found.at)


COMMANDS = (fleet, machine, assess)
