"""What people tell farmwatch: what was done by hand at a machine, and which machines are out of service."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, cast

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo
from farmwatch.errors import InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.history import NoteKind

__all__ = ["COMMANDS", "plain_line"]

WHAT = {
    "belt": "the belt was changed or tensioned",
    "pulley": "a pulley was changed or set",
    "plate": "another plate, or the plate turned (--text turned)",
    "probe": "the probe was changed or set",
    "nozzle": "the nozzle was changed",
    "moved": "the machine was moved",
    "replaced": "another machine stands there now",
    "other": "anything else worth remembering",
}
_MEANINGS = " ".join(f"{word}: {meaning}." for word, meaning in WHAT.items())
LONGEST_TEXT = 500
# A clock on a bench may run a little ahead of this one.
AHEAD = timedelta(minutes=5)


def plain_line(text: str, what: str) -> str:
    """What was typed, without spaces around it; raises InputError where it is no line of plain text, or too long."""
    if len(text) > LONGEST_TEXT:
        raise InputError(f"{what} has {len(text)} characters; at most {LONGEST_TEXT} are kept")
    if not text.isprintable():
        raise InputError(f"{what} has a line break or a control character; wanted a line of plain text")
    return text.strip()


@click.command(
    "note",
    short_help="Say what was done by hand at a machine.",
    epilog=" ".join(f"{word}: {meaning}." for word, meaning in WHAT.items()),
)
@click.argument("name")
@click.argument("what", type=click.Choice(list(WHAT), case_sensitive=False), metavar="WHAT")
@click.option("--at", metavar="TIME", help="When it was done; now if left out. Without an offset: farm time.")
@click.option("--by", default="", metavar="WHO", help="Who did it.")
@click.option("--text", default="", metavar="TEXT", help="A line on it.")
@pass_app
def note(app: App, name: str, what: str, at: str | None, by: str, text: str) -> None:
    """Say what was done by hand at machine NAME, since no mesh tells it.

    WHAT is belt, pulley, plate, probe, nozzle, moved, replaced or other. A new belt or pulley, or a move, begins the
    machine's trend anew; another plate begins a new form; a replaced machine begins a new history.
    """
    from farmwatch.history import Note
    from farmwatch.text import clock

    machine = app.settings.machine(name).name
    moment = app.moment(at)
    if moment > app.now() + AHEAD:
        raise InputError(f"{at} is still to come; a note is of what was done")
    kind = cast("NoteKind", what.lower())
    app.store.add_note(
        Note(machine=machine, at=moment, what=kind, by=plain_line(by, "--by"), text=plain_line(text, "--text"))
    )
    echo(f"noted: {sanitize(machine)}, {what.lower()}, {clock(moment, app.settings.farm.timezone)}")
    if kind == "replaced" and app.store.unpin(machine):
        echo("the identity of its host is forgotten; the next one that answers is kept")


@click.command("out", short_help="Take a machine out of service.")
@click.argument("name")
@click.option("--reason", required=True, metavar="TEXT", help="Why; it stands in the report.")
@click.option("--until", metavar="DATE", help="The day from which it counts again; farm time.")
@pass_app
def out(app: App, name: str, reason: str, until: str | None) -> None:
    """Take machine NAME out of service: no flags, no tickets, no word of its silence."""
    from farmwatch.cli.app import read_day
    from farmwatch.history import OutOfService
    from farmwatch.text import clock

    machine = app.settings.machine(name).name
    zone = app.settings.farm.timezone
    now = app.now()
    end = None if until is None else read_day(until, zone)
    if end is not None and end <= now:
        raise InputError(f"--until {until} is past; wanted a day to come")
    why = plain_line(reason, "--reason")
    if not why:
        raise InputError("--reason is empty; say why the machine is out of service")
    app.store.take_out(OutOfService(machine=machine, since=now, reason=why, until=end))
    until_words = "until you bring it back" if end is None else f"until {clock(end, zone)}"
    echo(f"out of service: {sanitize(machine)}, {until_words} (farmwatch back {sanitize(machine)})")


@click.command("back", short_help="Bring a machine back into service.")
@click.argument("name")
@pass_app
def back(app: App, name: str) -> None:
    """Bring machine NAME back into service."""
    machine = app.settings.machine(name).name
    if app.store.bring_back(machine, app.now()):
        echo(f"back in service: {sanitize(machine)}")
    else:
        echo(f"{sanitize(machine)} was in service already")


COMMANDS = (note, out, back)
