"""The last tries at one machine's host, in farm time: what to look at while its host is put right."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, table

__all__ = ["COMMANDS"]

_BEFORE_ANY = datetime(2000, 1, 1, tzinfo=UTC)


@click.command("polls", short_help="The last tries at one machine's host.")
@click.argument("name")
@click.option(
    "--last", "most", type=click.IntRange(1, 10_000), default=20, metavar="N", help="How many; 20 if not given."
)
@pass_app
def polls(app: App, name: str, most: int) -> None:
    """Show what came of the last tries at the host of machine NAME, the newest on top."""
    from farmwatch.outcomes import OUTCOMES
    from farmwatch.text import clock, count, sanitize

    machine, zone = app.settings.machine(name), app.settings.farm.timezone
    known = app.store.polls(_BEFORE_ANY, app.now(), [machine.name]) if app.settings.farm.database.exists() else []
    if not known:
        echo(f"{sanitize(machine.name)}: no try is on record; `farmwatch poll --machine NAME` makes one")
        return
    shown = known[: -most - 1 : -1]
    rows = [[clock(one.at, zone), one.outcome, f"{one.seconds:.1f} s", one.reason] for one in shown]
    table(
        [("farm time", False), ("outcome", False), ("took", True), ("reason", False)],
        rows,
        lambda number: bool(OUTCOMES[shown[number].outcome].fix),
    )
    echo()
    paragraph(f"{sanitize(machine.name)}: the last {len(shown)} of {count(len(known), 'try', 'tries')} on record.")
    fix = OUTCOMES[shown[0].outcome].fix
    if fix:
        paragraph(f"fix: {fix}", hang=5)


COMMANDS = (polls,)
