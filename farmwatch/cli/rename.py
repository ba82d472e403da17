"""rename: what is kept of a machine goes to its new name."""

from __future__ import annotations

from collections.abc import Mapping

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.errors import InputError
from farmwatch.text import did_you_mean, sanitize

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
        raise InputError(f"nothing is kept of a machine {old}{did_you_mean(old, known)}")
    app.store.rename(old, name)
    echo(f"renamed: {sanitize(old)} is {sanitize(name)} now, with {count(known[old], 'reading')}")


def show_unlisted(app: App, pins: Mapping[str, str], digests: Mapping[str, str]) -> None:
    """Name the machines of the database that the configuration does not list, and what each is likely called now.

    pins, digests: by machine, the identity and the mesh that its host has just shown.
    """
    from farmwatch.text import joined

    if not app.settings.farm.database.exists():
        return
    listed = {machine.name for machine in app.settings.machines}
    unlisted = [name for name in app.store.machines_known() if name not in listed]
    likely = _new_names(app, unlisted, pins, digests)
    for old, (new, why) in likely.items():
        paragraph(
            f"{sanitize(old)} is no longer in the configuration, and {sanitize(new)} has {why}: the same machine under "
            f"a new name? Then: farmwatch rename {sanitize(old)} {sanitize(new)}",
            hang=2,
        )
    others = [sanitize(name) for name in unlisted if name not in likely]
    if others:
        paragraph(
            f"in the database, and no longer in the configuration: {joined(others, MOST_NAMES)}. Where one has a new "
            "name: farmwatch rename OLD NEW; farmwatch machine NAME shows its history",
            hang=2,
        )


def _new_names(
    app: App, unlisted: list[str], pins: Mapping[str, str], digests: Mapping[str, str]
) -> dict[str, tuple[str, str]]:
    """By machine that is no longer listed, the listed one that it likely is, and why; those of which none is."""
    settings, store = app.settings, app.store
    identities = {**pins, **store.identities()}
    meshes = {name: last.digest for name, last in store.last_digests(unlisted).items()} if unlisted else {}
    addresses = store.addresses()
    now = [machine.name for machine in settings.machines]
    traits = (
        ("its host's identity", identities, {name: identities.get(name) for name in now}),
        ("the mesh that it showed last", meshes, digests),
        ("its address", addresses, settings.addresses),
    )
    found: dict[str, tuple[str, str]] = {}
    for old in unlisted:
        for why, before, today in traits:
            alike = [name for name in now if before.get(old) is not None and today.get(name) == before[old]]
            if len(alike) == 1:
                found[old] = (alike[0], why)
                break
    return found


COMMANDS = (rename,)
