"""reread: readings made anew of kept answers, after a mapping was corrected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, table
from farmwatch.errors import InputError
from farmwatch.text import did_you_mean, sanitize

if TYPE_CHECKING:
    from farmwatch.reread import Rereading

__all__ = ["COMMANDS", "show_left_out"]


@click.command("reread", short_help="Read kept answers anew, after a mapping was corrected.")
@click.option("--machine", "names", multiple=True, metavar="NAME", help="Only this one; may be given again.")
@click.option("--mapping", metavar="NAME", help="Only machines of this mapping.")
@click.option("--since", metavar="TIME", help="Only readings taken since; farm time without an offset.")
@click.option("--yes", is_flag=True, help="Replace without asking.")
@pass_app
def reread(app: App, names: tuple[str, ...], mapping: str | None, since: str | None, yes: bool) -> None:
    """Read what hosts answered anew by today's mapping, where another one read it before.

    Shows first what would change. Nothing else is touched: notes, tickets and times stay. To undo it, put the mapping
    back as it was and run it again.
    """
    from farmwatch.reread import plan_reread
    from farmwatch.store import refuse_foreign
    from farmwatch.text import count

    settings = app.settings
    refuse_foreign(settings.farm.database)
    if mapping is not None and mapping not in settings.mappings:
        raise InputError(
            f"--mapping {mapping} is not in the configuration; it has {', '.join(settings.mappings)}"
            f"{did_you_mean(mapping, settings.mappings)}"
        )
    wanted = [settings.machine(name).name for name in names] or [machine.name for machine in settings.machines]
    if mapping is not None:
        wanted = [name for name in wanted if settings.machine(name).mapping == mapping]
    found = plan_reread(settings, app.store, wanted, None if since is None else app.moment(since))
    if found.anew:
        columns = [("machine", False), ("readings", True), ("range before, mm", True), ("range after, mm", True)]
        table(columns, list(_rows(found)), lambda _: False)
    _show_left(found)
    if not found.anew:
        echo("nothing to read anew")
        return
    what = count(len(found.anew), "reading")
    if not yes and not click.confirm(f"replace {what}?", default=False):
        echo("nothing was changed")
        return
    found.carry_out(app.store, app.now())
    echo(f"{what} read anew")


def show_left_out(app: App, names: Sequence[str] | None = None) -> None:
    """Say of machines (all if None) how many readings are left out, since another mapping read them."""
    from farmwatch.text import count

    if not app.settings.farm.database.exists():
        return
    for name, number in app.store.other_mappings(app.settings.read_by).items():
        if names is None or name in names:
            plain = sanitize(name)
            paragraph(
                f"{plain}: {count(number, 'reading')} of its old mapping left out, not judged and in no trend; "
                f"to read them anew by today's: farmwatch reread --machine {plain}",
                hang=2,
            )


def _rows(found: Rereading) -> Iterator[Sequence[str]]:
    machines: dict[str, list[tuple[float, float]]] = {}
    for kept, mesh in found.anew:
        machines.setdefault(kept.machine, []).append((kept.range_mm, mesh.range_mm))
    for name, ranges in machines.items():
        yield (name, str(len(ranges)), *(_span(values) for values in zip(*ranges, strict=True)))


def _span(values: Sequence[float]) -> str:
    from farmwatch.text import mm

    low, high = mm(min(values)), mm(max(values))
    return low if low == high else f"{low} to {high}"


def _show_left(found: Rereading) -> None:
    from farmwatch.text import count

    for name, (number, why) in found.unreadable.items():
        paragraph(f"{sanitize(name)}: {count(number, 'answer')} cannot be read by its mapping: {sanitize(why)}", hang=2)
    for name, number in found.without_answer.items():
        paragraph(f"{sanitize(name)}: {count(number, 'reading')} cannot be read anew: the answer was not kept", hang=2)


COMMANDS = (reread,)
