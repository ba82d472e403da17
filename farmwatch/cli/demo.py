"""The first commands: an invented farm to look at, and the files of one's own to fill in."""

from __future__ import annotations

import shlex
import shutil
import socket
import sys
import threading
from contextlib import ExitStack, redirect_stderr, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, progress
from farmwatch.errors import InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.demo import DemoResult, LivingFarm, Serving

__all__ = ["COMMANDS"]

# Where a service answers unless its configuration says otherwise.
USUAL_PORT = 8790


@click.command("demo", short_help="Play an invented farm and write its report.")
@click.option(
    "--dir", "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("farmwatch-demo"),
    metavar="DIR", show_default=True, help="Where its files go and stay.",
)  # fmt: skip
@click.option("--weeks", type=int, default=26, metavar="N", show_default=True, help="Weeks of history.")
@click.option("--machines", type=int, default=27, metavar="N", show_default=True, help="Machines of the farm.")
@click.option("--seed", type=int, default=1, metavar="S", show_default=True, help="Another seed, another noise.")
@click.option("--serve", is_flag=True, help="Then let the farm live on, with its pages to look at, until Ctrl-C.")
@pass_app
def demo(app: App, folder: Path, weeks: int, machines: int, seed: int, serve: bool) -> None:
    """Play an invented farm over real HTTP on this computer and write its weekly report."""
    from farmwatch.demo import Serving, living_demo

    serving = Serving(_free_address()) if serve else None
    with ExitStack() as hosts:
        with progress("playing the farm, a day at a time") as move:
            played = living_demo(folder, weeks, machines, seed, now=app.now(), progress=move, serving=serving)
            result, living = hosts.enter_context(played)
        _show(result, weeks)
        if serving is not None:
            _live_on(app, result, living, serving)
            return
    echo()
    paragraph("The farm's hosts ended with the demo: poll and check find none of them any more.")


def _show(result: DemoResult, weeks: int) -> None:
    paragraph(
        f"Saltmarsh Tidegate Works, an invented farm: {result.machines} machines, {result.polls:,} polls, "
        f"{result.readings:,} readings in {weeks} weeks."
    )
    echo()
    echo("What is true in it:")
    for truth in result.truths:
        paragraph(sanitize(truth), indent=2, hang=2)
    echo()
    echo("Its weekly report, to open in a browser:")
    echo(f"  {sanitize(result.report)}", strong=True)
    echo()
    echo("To try next:")
    for command in result.commands:
        echo(f"  {sanitize(_program() + command.removeprefix('farmwatch'))}")


def _live_on(app: App, result: DemoResult, living: LivingFarm, serving: Serving) -> None:
    """The farm's service, with its log beside its database, while the floor lives; until a signal."""
    from farmwatch.config import load_settings
    from farmwatch.service import run_service

    log = result.config.with_name("service.log")
    echo()
    echo("Its pages, to open in a browser of this computer:")
    echo(f"  http://{serving.listen}/", strong=True)
    jump = f"In a minute or two a screw of {living.jumps} jumps a tooth. " if living.jumps else ""
    paragraph(
        f"The farm lives on. {jump}Approve a ticket, take it, and open its guided realignment: simulated hands make "
        "each move that is told, and probe the bed, some seconds later."
    )
    paragraph(f"Ctrl-C ends it. What the service says of itself: {sanitize(log)}")
    stop = threading.Event()
    floor = threading.Thread(target=living.run, args=(stop, app.now), name="demo-floor", daemon=True)
    with log.open("a", encoding="utf-8") as lines, redirect_stderr(lines):
        floor.start()
        try:
            run_service(load_settings(result.config), attended=True)
        finally:
            stop.set()
            floor.join()


def _free_address() -> str:
    """The service's usual address where it is free, else another port of it."""
    for port in (USUAL_PORT, 0):
        with socket.socket() as trial, suppress(OSError):
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(("127.0.0.1", port))
            return f"127.0.0.1:{trial.getsockname()[1]}"
    raise InputError("no port is free on 127.0.0.1 for the pages of the demo")


def _program() -> str:
    """How farmwatch is called here: by its name where the shell finds it, else as it was called this time."""
    called = Path(sys.argv[0])
    found = shutil.which("farmwatch")
    if called.name != "farmwatch" or (found and Path(found).resolve() == called.resolve()):
        return "farmwatch"
    return shlex.quote(str(called))


@click.command("init", short_help="Write a commented configuration to fill in.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=Path(), metavar="[DIR]")
def init(folder: Path) -> None:
    """Write a commented config.toml and machines.csv into DIR (here, if left out) to fill in."""
    from farmwatch.config import write_starter

    config, machines = write_starter(folder)
    echo(f"written: {sanitize(config)} and {sanitize(machines)}")
    echo("Fill in both from the top, then let farmwatch look at them:")
    echo(f"  {_program()} --config {sanitize(config)} check")


COMMANDS = (demo, init)
