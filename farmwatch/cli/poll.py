"""Asking the hosts: one poll now, or one look at configuration and hosts that stores nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.fleet import NEEDS_ATTENTION
from farmwatch.cli.outcomes import show_misfits, show_remarks, show_troubles
from farmwatch.cli.screen import echo, paragraph, progress
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.collect import OnAttempt, PollRound
    from farmwatch.history import Reading
    from farmwatch.store import PollRecord
    from farmwatch.store.records import LastAnswer, LastMesh

__all__ = ["COMMANDS"]

MOST_NAMES = 6


@click.command("poll", short_help="Ask every host once, now, and store what it says.")
@click.option("--machine", "names", multiple=True, metavar="NAME", help="Only this one; may be given again.")
@click.option("--fail-on", type=click.Choice(["trouble"]), help="Exit 3 when a host that was asked brought no mesh.")
@pass_app
def poll(app: App, names: tuple[str, ...], fail_on: str | None) -> None:
    """Ask every machine's host once, now, and store what it says."""
    from farmwatch.collect import poll_once
    from farmwatch.service import PollState
    from farmwatch.store import DurableWriter, StoreError, refuse_foreign

    # Nothing is asked that could not be kept, and nothing is left that the service could not write.
    refuse_foreign(app.settings.farm.database)
    writer = DurableWriter(app.store)
    memory = PollState(writer)
    now = app.now()
    at_bench = memory.claims(now)
    wanted = [app.settings.machine(name).name for name in names] or [machine.name for machine in app.settings.machines]
    due = [name for name in wanted if name not in at_bench]
    with progress("asking the hosts") as move:
        found = poll_once(app.settings, memory, now, due, on_progress=_moving(move), in_work=memory.in_work())
    if alone := sorted(at_bench & set(wanted)):
        echo(f"left alone, a guided realignment is at work: {', '.join(map(sanitize, alone))}")
    troubled = [record for record in found.records if OUTCOMES[record.outcome].fix]
    show_troubles(troubled)
    show_remarks(record for record in found.records if not OUTCOMES[record.outcome].fix)
    _show_warnings(found.warnings)
    if due or not alone:
        echo(_tally(found))
    if not writer.state.is_well:
        # What was read is safe beside the database, or said to be lost; either way the database wants a look.
        raise StoreError(writer.state.words)
    if fail_on and troubled:
        click.get_current_context().exit(NEEDS_ATTENTION)


@click.command("check", short_help="Check the configuration and every host.")
@click.option("--fail-on", type=click.Choice(["trouble"]), help="Exit 3 when a machine needs you.")
@click.option("--set-aside-ahead", "set_aside", is_flag=True, help="Set aside what a wrong clock has dated ahead.")
@pass_app
def check(app: App, fail_on: str | None, set_aside: bool) -> None:
    """Check the configuration, ask each host once, and hold its mesh against screws and bed; nothing is stored."""
    from farmwatch.cli.mesh_fit import misfits
    from farmwatch.cli.rename import show_unlisted
    from farmwatch.cli.reread import show_left_out
    from farmwatch.collect import poll_once
    from farmwatch.text import count, joined

    settings = app.settings
    _show_warnings(settings.warnings, "worth a second look in the configuration")
    asked = sum(bool(machine.address and machine.mapping) for machine in settings.machines)
    parts = (
        count(len(settings.machines), "machine"),
        count(len(settings.models), "model"),
        count(len(settings.mappings), "mapping"),
    )
    echo(f"{sanitize(settings.path)} is sound: {joined(parts)}. Asking {count(asked, 'host')}.")
    onlooker = _Onlooker(app)
    with progress("asking the hosts") as move:
        found = poll_once(settings, onlooker, app.now(), on_progress=_moving(move))
    troubled = [record for record in found.records if OUTCOMES[record.outcome].fix]
    models = {machine.name: settings.models[machine.model] for machine in settings.machines}
    unfit = [(read.machine, misfit) for read in onlooker.seen for misfit in misfits(read.mesh, models[read.machine])]
    show_troubles(troubled)
    show_misfits(unfit)
    show_remarks(record for record in found.records if not OUTCOMES[record.outcome].fix)
    _show_warnings(found.warnings)
    if without := len(settings.machines) - asked:
        echo(f"{without} without a host: their meshes are imported (farmwatch import)")
    _show_ahead(app, set_aside)
    show_left_out(app)
    show_unlisted(app)
    need_you = {record.machine for record in troubled} | {machine for machine, _ in unfit}
    echo(f"{len(found.records) - len(need_you)} ready, {len(need_you)} need you", strong=bool(need_you))
    if fail_on and need_you:
        click.get_current_context().exit(NEEDS_ATTENTION)


def _show_ahead(app: App, set_aside: bool) -> None:
    """What a clock that was far ahead has dated, and how it stands aside for good."""
    from farmwatch.text import clock, count, joined

    if not app.settings.farm.database.exists():
        return
    now = app.now()
    ahead = app.store.set_aside_ahead(now) if set_aside else app.store.ahead(now)
    if ahead.latest is None:
        if set_aside:
            echo("nothing lies ahead of the clock")
        return
    words = {"readings": "reading", "notes": "note", "polls": "poll", "ticket_events": "ticket event"}
    what = joined([count(ahead.counts[table], word) for table, word in words.items() if table in ahead.counts])
    whose = joined([sanitize(name) for name in ahead.machines], MOST_NAMES)
    until = clock(ahead.latest, app.settings.farm.timezone)
    if set_aside:
        paragraph(f"set aside: {what} of {whose}, dated up to {until} by a clock that was ahead")
        return
    echo("dated ahead of this computer's clock", strong=True)
    paragraph(
        f"{what} of {whose}, up to {until}: they count for nothing until then. If the clock was wrong when they came, "
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

    def last_digests(self, until: datetime | None = None) -> dict[str, LastMesh]:  # noqa: ARG002  # the names are those of Memory
        return {}

    def identities(self) -> dict[str, str]:
        # Before the first poll there is no database, and a look must not make one.
        return self.app.store.identities() if self.app.settings.farm.database.exists() else {}

    def last_answers(self, until: datetime | None = None) -> dict[str, LastAnswer]:  # noqa: ARG002  # the names are those of Memory
        return {}

    def pin(self, found: dict[str, str], at: datetime) -> None:
        pass

    def knows(self, reading: Reading) -> bool:  # noqa: ARG002  # the names are those of Memory
        return False

    def add_round(self, new: Sequence[Reading], records: Sequence[PollRecord]) -> int:  # noqa: ARG002  # the names are those of Memory
        self.seen += new
        return len(new)


def _moving(move: object) -> OnAttempt | None:
    if not callable(move):
        return None

    def told(_: PollRecord, done: int, total: int) -> None:
        move(done, total)

    return told


def _tally(found: PollRound) -> str:
    from farmwatch.text import count

    counts = Counter(record.outcome for record in found.records)
    said = ", ".join(f"{number} {outcome}" for outcome, number in sorted(counts.items()))
    return f"{count(len(found.records), 'machine')} asked" + (f": {said}" if said else "; none has a host")


def _show_warnings(warnings: Sequence[str], heading: str = "worth a second look") -> None:
    if warnings:
        echo(heading, strong=True)
    for warning in warnings:
        paragraph(sanitize(warning), indent=2, hang=2)
    if warnings:
        echo()


COMMANDS = (check, poll)
