"""rename: what is kept of a machine goes to its new name."""

from __future__ import annotations

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.errors import InputError
from farmwatch.text import sanitize

__all__ = ["COMMANDS", "show_unlisted"]

MOST_NAMES = 6


@click.command("rename", short_help="Give what is kept of a machine to its new name.")
@click.argument("old")
@click.argument("new")
@pass_app
def rename(app: App, old: str, new: str) -> None:
    """Give readings, notes, tickets, moves and the host's identity of machine OLD to NEW, in one step.

    Change the name in the configuration first: NEW stands there, and OLD does not. To undo it, put the old name back
    there and rename the other way round; what came under both names before stays together.
    """
    from farmwatch.store import refuse_foreign
    from farmwatch.text import count

    settings = app.settings
    refuse_foreign(settings.farm.database)
    name = settings.machine(new).name
    if any(machine.name == old for machine in settings.machines):
        raise InputError(f"{old} stands in the configuration still; change its name there first")
    known = app.store.machines_known()
    if old not in known:
        raise InputError(f"nothing is kept of a machine {old}")
    app.store.rename(old, name)
    echo(f"renamed: {sanitize(old)} is {sanitize(name)} now, with {count(known[old], 'reading')}")


def show_unlisted(app: App) -> None:
    """Name the machines of the database that the configuration does not list."""
    from farmwatch.text import joined

    if not app.settings.farm.database.exists():
        return
    listed = {machine.name for machine in app.settings.machines}
    unlisted = [sanitize(name) for name in app.store.machines_known() if name not in listed]
    if unlisted:
        paragraph(
            f"in the database, and no longer in the configuration: {joined(unlisted, MOST_NAMES)}. Where one has a new "
            "name: farmwatch rename OLD NEW",
            hang=2,
        )


COMMANDS = (rename,)
