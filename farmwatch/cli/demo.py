"""The first commands: an invented farm to look at, and the files of one's own to fill in."""

from __future__ import annotations

import shlex
import shutil
import sys
from pathlib import Path

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, progress
from farmwatch.text import sanitize

__all__ = ["COMMANDS"]


@click.command("demo", short_help="Play an invented farm and write its report.")
@click.option(
    "--dir", "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("farmwatch-demo"),
    metavar="DIR", show_default=True, help="Where its files go and stay.",
)  # fmt: skip
@click.option("--weeks", type=int, default=26, metavar="N", show_default=True, help="Weeks of history.")
@click.option("--machines", type=int, default=27, metavar="N", show_default=True, help="Machines of the farm.")
@click.option("--seed", type=int, default=1, metavar="S", show_default=True, help="Another seed, another noise.")
@pass_app
def demo(app: App, folder: Path, weeks: int, machines: int, seed: int) -> None:
    """Play an invented farm over real HTTP on this computer and write its weekly report."""
    from farmwatch.demo import run_demo

    with progress("playing the farm, a day at a time") as move:
        result = run_demo(folder, weeks, machines, seed, now=app.now(), progress=move)
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
    echo()
    paragraph("The farm's hosts ended with the demo: poll and check find none of them any more.")


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
