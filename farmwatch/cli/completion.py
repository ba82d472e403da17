"""Help at the prompt: `--config` before or after a command, the nearest value that exists, and tab completion."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem, get_completion_class, shell_complete

from farmwatch.cli.app import App, pass_app
from farmwatch.errors import FarmwatchError

__all__ = ["COMMANDS", "answer_shell", "fault_words", "nearest_choice", "prepare"]

SHELLS = ("bash", "zsh", "fish")
_PROGRAM, _ASKS = "farmwatch", "_FARMWATCH_COMPLETE"


class _MachineName(click.types.StringParamType):
    """A machine's name: any text, since the configuration says which exist; a shell completes those."""

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG002  # the names are click's
        from farmwatch.config import load_settings

        given = ctx.find_root().params.get("config")
        try:
            machines = load_settings(given).machines
        except FarmwatchError:
            # The prompt is no place for a fault of the configuration; the command itself says it.
            return []
        return [CompletionItem(machine.name) for machine in machines if machine.name.startswith(incomplete)]


def prepare(command: click.Command) -> None:
    """Let a command, and those below it, take `--config` too, and complete the names of machines."""
    for param in command.params:
        machine = param.name == "name" if isinstance(param, click.Argument) else "--machine" in param.opts
        if machine and isinstance(param.type, click.types.StringParamType):
            param.type = _MachineName()
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            prepare(inner)
        return
    file = click.Path(path_type=Path)
    words = "The configuration to use."
    command.params.append(
        click.Option(["--config"], type=file, metavar="FILE", help=words, expose_value=False, callback=_use)
    )


def _use(context: click.Context, _param: click.Parameter, value: Path | None) -> None:
    app = context.find_object(App)
    # While a shell completes there is no farm yet.
    if value is not None and app is not None:
        app.config = value


def fault_words(fault: click.ClickException) -> str:
    """What was typed wrong, in the words of the command line; of a name that is none, the nearest one alone."""
    if isinstance(fault, click.NoSuchOption):
        return f"no such option {fault.option_name}{_nearest(fault.option_name, fault.possibilities or ())}"
    text = " ".join(fault.format_message().split())
    unknown, _, listed = text.partition(" Did you mean ")
    if listed and unknown.startswith("No such command "):
        typed = unknown.partition("'")[2].partition("'")[0]
        near = _nearest(typed, re.findall(r"'([^']+)'", listed))
        text = f"no such command {typed}{near}"
    return f"{text[:1].lower()}{text[1:].rstrip('.')}{nearest_choice(fault)}"


def _nearest(typed: str, names: Iterable[str]) -> str:
    like = difflib.get_close_matches(typed, list(names), n=1, cutoff=0.0)
    return f"; did you mean {like[0]}?" if like else ""


def nearest_choice(fault: click.ClickException) -> str:
    """ "; did you mean belt?" for a value that is none of a few, where one is like it; else empty."""
    if not isinstance(fault, click.BadParameter) or fault.param is None:
        return ""
    kind = fault.param.type
    typed = fault.message.partition("'")[2].partition("'")[0]
    if not isinstance(kind, click.Choice) or not typed:
        return ""
    like = difflib.get_close_matches(typed.casefold(), [str(choice) for choice in kind.choices], n=1)
    return f"; did you mean {like[0]}?" if like else ""


def answer_shell(commands: click.Command) -> int | None:
    """Answer a shell that asks what could be typed next; None where none asks."""
    asked = os.environ.get(_ASKS)
    return None if asked is None else shell_complete(commands, {}, _PROGRAM, _ASKS, asked)


@click.command("completion", short_help="Print what makes a shell complete commands with the tab key.")
@click.argument("shell", type=click.Choice(SHELLS), metavar="SHELL")
@pass_app
def completion(_app: App, shell: str) -> None:
    """Print the lines that make SHELL (bash, zsh or fish) complete commands, options and machines.

    For bash, save them as ~/.local/share/bash-completion/completions/farmwatch and open a new shell.
    """
    kind: Any = get_completion_class(shell)
    parts = kind(None, {}, _PROGRAM, _ASKS)
    # Not its `source`: that would run the shell to learn its version.
    click.echo(parts.source_template % parts.source_vars())


COMMANDS = (completion,)
