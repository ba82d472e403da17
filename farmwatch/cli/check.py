"""check: one look at configuration, hosts, meshes and ways out that stores nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.fleet import NEEDS_ATTENTION
from farmwatch.cli.outcomes import show_misfits, show_notices, show_remarks, show_troubles
from farmwatch.cli.poll import moving, show_warnings
from farmwatch.cli.screen import echo, paragraph, progress
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.cli.mesh_fit import Misfit
    from farmwatch.history import Reading
    from farmwatch.store import PollRecord
    from farmwatch.store.records import Ahead, LastAnswer, LastMesh

__all__ = ["COMMANDS"]

MOST_NAMES = 6


@click.command("check", short_help="Check the configuration, every host, and mail and webhook.")
@click.option("--fail-on", type=click.Choice(["trouble"]), help="Exit 3 when a machine, mail or webhook needs you.")
@click.option("--set-aside-ahead", "set_aside", is_flag=True, help="Set aside what a wrong clock has dated ahead.")
@click.option("--put-back-ahead", "put_back", is_flag=True, help="Put that back: it was today's clock that was wrong.")
@click.option("--send", is_flag=True, help="Post a test to the webhook, marked as one.")
@pass_app
def check(app: App, fail_on: str | None, set_aside: bool, put_back: bool, send: bool) -> None:
    """Check the configuration, ask each host once, and hold its mesh against screws, bed and the last one.

    Mail is tried as far as signing in, the webhook as far as an answer; nothing is sent without --send. Nothing is
    stored.
    """
    from farmwatch.cli.rename import show_unlisted
    from farmwatch.cli.reread import show_left_out
    from farmwatch.cli.ways_out import show_ways_out
    from farmwatch.collect import poll_once
    from farmwatch.text import count, joined

    settings = app.settings
    show_warnings(settings.warnings, "worth a second look in the configuration")
    asked = sum(bool(machine.address and machine.mapping) for machine in settings.machines)
    parts = (
        count(len(settings.machines), "machine"),
        count(len(settings.models), "model"),
        count(len(settings.mappings), "mapping"),
    )
    echo(f"{sanitize(settings.path)} is sound: {joined(parts)}. Asking {count(asked, 'host')}.")
    onlooker = _Onlooker(app)
    with progress("asking the hosts") as move:
        found = poll_once(settings, onlooker, app.now(), on_progress=moving(move))
    troubled = [record for record in found.records if OUTCOMES[record.outcome].fix]
    unfit = [*_unfit(app, onlooker.seen), *_changed(app, onlooker.seen)]
    show_troubles(troubled)
    show_misfits(unfit)
    show_remarks(record for record in found.records if not OUTCOMES[record.outcome].fix)
    show_notices([*_far(app, onlooker.seen), *_other_screws(app)])
    show_warnings(found.warnings)
    if without := len(settings.machines) - asked:
        echo(f"{without} without a host: their meshes are imported (farmwatch import)")
    if put_back:
        _put_back_ahead(app)
    else:
        _show_ahead(app, set_aside)
    show_left_out(app)
    show_unlisted(app, onlooker.pins, {read.machine: read.mesh.digest() for read in onlooker.seen})
    all_out = show_ways_out(app, send)
    need_you = {record.machine for record in troubled} | {machine for machine, _ in unfit}
    echo(f"{len(found.records) - len(need_you)} ready, {len(need_you)} need you", strong=bool(need_you))
    if fail_on and (need_you or not all_out):
        click.get_current_context().exit(NEEDS_ATTENTION)


def _unfit(app: App, seen: Sequence[Reading]) -> Iterator[tuple[str, Misfit]]:
    from farmwatch.cli.mesh_fit import misfits

    for read in seen:
        for misfit in misfits(read.mesh, app.model(read.machine)):
            yield read.machine, misfit


def _changed(app: App, seen: Sequence[Reading]) -> Iterator[tuple[str, Misfit]]:
    """Meshes that read as the last one otherwise: another unit, mirrored, turned."""
    from farmwatch.cli.mesh_change import change_of_mesh
    from farmwatch.cli.mesh_fit import Misfit

    if not seen or not app.settings.farm.database.exists():
        return
    last = app.store.latest([read.machine for read in seen])
    for read in seen:
        before = last.get(read.machine)
        words = change_of_mesh(before.mesh, read.mesh) if before is not None and before.set_aside is None else ""
        if words:
            yield (
                read.machine,
                Misfit(
                    what="not as it was read before",
                    fix="where the mapping was wrong before and is right now: farmwatch reread; where it was right "
                    "before, put it back",
                    reason=words,
                ),
            )


def _far(app: App, seen: Sequence[Reading]) -> Iterator[tuple[str, str]]:
    from farmwatch.cli.mesh_fit import far_screws
    from farmwatch.eligibility import unit_doubt

    for read in seen:
        for words in far_screws(read.mesh, app.model(read.machine)):
            yield read.machine, words
        doubt = unit_doubt(read.mesh.range_mm)
        if doubt:
            yield read.machine, doubt


def _other_screws(app: App) -> Iterator[tuple[str, str]]:
    """Machines with moves on record of screws that their model does not name."""
    from farmwatch.text import count, joined

    if not app.settings.farm.database.exists():
        return
    strange: dict[str, list[str]] = {}
    for move in app.store.moves([machine.name for machine in app.settings.machines]):
        if move.screw not in {screw.name for screw in app.model(move.machine).screws}:
            strange.setdefault(move.machine, []).append(move.screw)
    for name, screws in strange.items():
        yield (
            name,
            (
                f"{count(len(screws), 'move')} on record of {joined(sorted(set(screws)))}, which its model does not "
                f"name: was the model changed? To learn nothing from them: farmwatch set-aside {name} --moves"
            ),
        )


def _words_of_ahead(app: App, ahead: Ahead) -> tuple[str, str]:
    """What it is and whose, and up to when."""
    from farmwatch.text import clock, count, joined

    words = {"readings": "reading", "notes": "note", "polls": "poll", "ticket_events": "ticket event"}
    what = joined([count(ahead.counts[table], word) for table, word in words.items() if table in ahead.counts])
    whose = joined([sanitize(name) for name in ahead.machines], MOST_NAMES)
    until = "" if ahead.latest is None else clock(ahead.latest, app.settings.farm.timezone)
    return f"{what} of {whose}", until


def _put_back_ahead(app: App) -> None:
    from farmwatch.store import refuse_foreign

    refuse_foreign(app.settings.farm.database)
    done = app.store.put_back_ahead()
    if done.latest is None:
        echo("nothing stands aside because it lay ahead of the clock")
        return
    what, until = _words_of_ahead(app, done)
    paragraph(f"put back: {what}, dated up to {until}; it counts once its time has come")


def _show_ahead(app: App, set_aside: bool) -> None:
    """What a clock that was far ahead has dated, and how it stands aside for good."""
    if not app.settings.farm.database.exists():
        return
    now = app.now()
    ahead = app.store.set_aside_ahead(now) if set_aside else app.store.ahead(now)
    if ahead.latest is None:
        if set_aside:
            echo("nothing lies ahead of the clock")
        return
    what, until = _words_of_ahead(app, ahead)
    if set_aside:
        paragraph(f"set aside: {what}, dated up to {until} by a clock that was ahead")
        paragraph("to undo it: farmwatch check --put-back-ahead", hang=2)
        return
    echo("dated ahead of this computer's clock", strong=True)
    paragraph(
        f"{what}, up to {until}: they count for nothing until then. If the clock was wrong when they came, "
        "and is right now: farmwatch check --set-aside-ahead",
        indent=2,
        hang=2,
    )
    echo()


class _Onlooker:
    """A memory for a poll that only looks: it knows the pinned identities, and keeps nothing beyond the command."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.seen: list[Reading] = []
        """What was read of each machine."""
        self.pins: dict[str, str] = {}
        """The identities of hosts that have none pinned yet."""

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:  # noqa: ARG002  # the names are those of Memory
        return {}

    def identities(self) -> dict[str, str]:
        # Before the first poll there is no database, and a look must not make one.
        return self.app.store.identities() if self.app.settings.farm.database.exists() else {}

    def last_answers(self, until: datetime | None = None) -> dict[str, LastAnswer]:  # noqa: ARG002  # the names are those of Memory
        return {}

    def pin(self, found: Mapping[str, str], at: datetime) -> None:  # noqa: ARG002  # the names are those of Memory
        self.pins |= found

    def knows(self, reading: Reading) -> bool:  # noqa: ARG002  # the names are those of Memory
        return False

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:  # noqa: ARG002  # the names are those of Memory
        self.seen += new
        return len(new)


COMMANDS = (check,)
