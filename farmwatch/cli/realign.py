"""The command that guides a realignment, from its start to the entry on its ticket."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.errors import InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    pass

__all__ = ["COMMANDS"]


@click.command("realign", short_help="Guided realignment of one machine.")
@click.argument("name")
@click.option("--by", metavar="WHO", help="Who is at the machine; the user of this computer if left out.")
@click.option("--every", type=click.FloatRange(min=0.2, max=300), default=5.0, metavar="SECONDS", show_default=True,
              help="How often the host is asked.")  # fmt: skip
@click.option("--reopen", is_flag=True, help="Turn screws again though the work is done and waits for its check.")
@click.option("--laid-over", is_flag=True, help="Draw the bed as seen from below, the machine laid on its back.")
@pass_app
def realign(app: App, name: str, by: str | None, every: float, reopen: bool, laid_over: bool) -> None:
    """Follow machine NAME closely: the next move, and after each new mesh what it really did.

    It only reads; you mesh at the machine. Leave it with Ctrl-C at any time: it is taken up again where it was.
    """
    from farmwatch.cli.realign_screen import TerminalScreen
    from farmwatch.cli.ticket_steps import who
    from farmwatch.collect import fetch_mesh, fetcher_for
    from farmwatch.realign import Bench, Session

    settings = app.settings
    machine = settings.machine(name)
    if machine.address is None or machine.mapping is None:
        raise InputError(
            f"{name} has no host to ask; import its meshes and see `farmwatch machine {name}` for the plan"
        )
    bench = Bench(machine=machine, model=settings.models[machine.model], limits=settings.limits, by=who(by))
    screen = TerminalScreen(settings.farm.timezone, reopen=reopen, laid_over=laid_over)
    with fetcher_for(settings) as fetcher, _told_to_end():
        session = Session(
            settings, app.store, bench, screen, lambda: fetch_mesh(settings, machine, fetcher, app.now), app.now
        )
        session.begin()
        try:
            end = session.run(threading.Event(), every)
        except KeyboardInterrupt:
            echo()
            paragraph(f"left; `farmwatch realign {sanitize(name)}` takes it up again")
            return
    if end is not None and end.kind == "finished":
        _close(app, session.ticket_number, by)


@contextmanager
def _told_to_end() -> Iterator[None]:
    """A closed terminal or a word to end gives the machine back at once, as Ctrl-C does, and says nothing."""

    def end(number: int, _: object) -> NoReturn:
        raise SystemExit(128 + number)

    numbers = [getattr(signal, name) for name in ("SIGHUP", "SIGTERM") if hasattr(signal, name)]
    before = {number: signal.signal(number, end) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _close(app: App, number: int | None, by: str | None) -> None:
    """Offer to write the work on its ticket."""
    from farmwatch.cli.ticket_steps import finished_at, who
    from farmwatch.tickets import Outbox, TicketRepository

    if number is None:
        return
    book = TicketRepository(app.store)
    phase = book.ticket(number).phase
    if phase == "proposed":
        steps = f"farmwatch ticket approve {number}, then take {number}, then done {number} --method realign"
        paragraph(f"ticket {number} is not approved yet. To write this work on it: {steps}", hang=2)
    if phase != "in-work":
        return
    line = f"farmwatch ticket done {number} --method realign"
    paragraph(f"When belt, power and nozzle height are as they must be: {line}", hang=2)
    if sys.stdin.isatty() and click.confirm("Is all of that done, and may it be written so now?", default=False):
        now = app.now()
        book.act(number, "done", at=now, by=who(by), change=finished_at(now, "realign"))
        Outbox(app.store).announce(app.settings, now)
        echo(f"ticket {number}: proving; the next probings show whether it held")


COMMANDS = (realign,)
