"""The service, its unit, and copies of the database."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.store import Restored

__all__ = ["COMMANDS"]


@click.command("run", short_help="The service: polls and reports until a signal.")
@pass_app
def run(app: App) -> None:
    """Poll, assess, report, back up and deliver until a signal: TERM or INT end it, HUP reads the configuration anew.

    It logs to standard error and answers at /health and /metrics on the address of [service].
    """
    from farmwatch.service import run_service

    if not run_service(app.settings):
        # A step hangs in something that cannot be cut; all that was read is stored or waits in the pending file.
        os._exit(1)


@click.command("backup", short_help="A consistent copy of the database, while it is in use.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@pass_app
def backup(app: App, file: Path) -> None:
    """Copy the database to FILE while everything else goes on; the copy is checked before it takes its place."""
    readings = app.store.backup(file)
    echo(f"written: {sanitize(file)}, {readings:,} readings")


@click.command("restore", short_help="Put a backup in the place of the database.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@pass_app
def restore(app: App, file: Path) -> None:
    """Check the backup FILE and put it in the place of the database, which is kept aside."""
    from farmwatch.service import is_running
    from farmwatch.text import clock, count

    zone = app.settings.farm.timezone
    found = app.store.restore(file, app.now())
    newest = "" if found.newest is None else f", the newest of {clock(found.newest, zone)}"
    paragraph(
        f"restored: {count(found.readings, 'reading')}{newest}; the backup was written {clock(found.written_at, zone)}"
    )
    if found.kept_aside:
        echo(f"what was there before: {sanitize(found.kept_aside)}")
        paragraph(_left_words(found), indent=2)
    if is_running(app.settings.farm.database):
        paragraph("The service is running and goes on with the restored database; nothing has to be started anew.")


def _left_words(found: Restored) -> str:
    from farmwatch.text import count, joined

    left = found.left
    if left is None:
        return "It cannot be read, so what it held beyond the backup is not known."
    counted = (
        (left.readings, count(left.readings, "reading")),
        (left.notes, count(left.notes, "note")),
        (left.ticket_events, count(left.ticket_events, "entry of tickets", "entries of tickets")),
    )
    held = [words for number, words in counted if number]
    return f"It holds {joined(held) if held else 'nothing'} that the restored database does not."


@click.command("service-unit", short_help="A hardened systemd unit on standard output.")
@pass_app
def service_unit(app: App) -> None:
    """Print the systemd unit for this configuration; at its head stand the lines that make user, folders, secrets."""
    from farmwatch.service import python_places, refuse_hidden, unit_text

    refuse_hidden(python_places())
    program = Path(sys.prefix) / "bin" / "farmwatch"
    click.echo(unit_text(app.settings, program), nl=False)


COMMANDS = (run, backup, restore, service_unit)
