"""Asking the hosts: one poll, now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.fleet import NEEDS_ATTENTION
from farmwatch.cli.outcomes import show_remarks, show_troubles
from farmwatch.cli.screen import echo, paragraph, progress
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.collect import OnAttempt, PollRound
    from farmwatch.store import PollRecord

__all__ = ["COMMANDS", "moving", "show_warnings"]


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
        found = poll_once(app.settings, memory, now, due, on_progress=moving(move), in_work=memory.in_work())
    if alone := sorted(at_bench & set(wanted)):
        echo(f"left alone, a guided realignment is at work: {', '.join(map(sanitize, alone))}")
    troubled = [record for record in found.records if OUTCOMES[record.outcome].fix]
    show_troubles(troubled)
    show_remarks(record for record in found.records if not OUTCOMES[record.outcome].fix)
    show_warnings(found.warnings)
    if due or not alone:
        echo(_tally(found))
    with suppress(StoreError):
        app.store.keep_addresses(app.settings.addresses)
    if not writer.state.is_well:
        # What was read is safe beside the database, or said to be lost; either way the database wants a look.
        raise StoreError(writer.state.words)
    if fail_on and troubled:
        click.get_current_context().exit(NEEDS_ATTENTION)


def moving(move: object) -> OnAttempt | None:
    """What moves a bar of progress, as a poll wants it; None without one."""
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


def show_warnings(warnings: Sequence[str], heading: str = "worth a second look") -> None:
    """Sentences under a heading; nothing where there are none."""
    if warnings:
        echo(heading, strong=True)
    for warning in warnings:
        paragraph(sanitize(warning), indent=2, hang=2)
    if warnings:
        echo()


COMMANDS = (poll,)
