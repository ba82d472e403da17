"""The commands: parse what was typed, call what does the work, print what came of it.

A family of commands is a module that lists them in `COMMANDS`; a new family is a module and its name in `_FAMILIES`.
Heavy modules are imported inside the commands, so that `--help` answers at once.

Exit: 0 done, 1 a bug (with its traceback), 2 a fault in what was given (in a line), 3 done but machines need attention
(only where asked for), 130 interrupted.
"""

from __future__ import annotations

import errno
import os
import shlex
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import click

from farmwatch.cli.app import App
from farmwatch.cli.completion import answer_shell, fault_words, prepare
from farmwatch.cli.screen import error
from farmwatch.errors import FarmwatchError

__all__ = ["commands", "run"]

_FAMILIES = (
    "demo", "mapping", "find", "check", "poll", "poll_history", "fleet", "note", "set_aside", "reread", "rename",
    "report", "import_export", "company", "service", "password", "ticket", "realign", "completion",
)  # fmt: skip

BUG, FAULT, INTERRUPTED = 1, 2, 130
# A disk that is full, or a terminal that has gone.
_OUTPUT_FAILS = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO})


class _InOrder(click.Group):
    """Lists the commands in the order in which a farm meets them, not by the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # the name is click's
        return list(self.commands)


@click.group(
    "farmwatch",
    cls=_InOrder,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Begin with `farmwatch demo`, or with `farmwatch init` for your own farm.",
)
@click.option("--config", type=click.Path(path_type=Path), metavar="FILE", help="The configuration to use.")
@click.version_option(package_name="farmwatch", message="farmwatch %(version)s")
@click.pass_context
def commands(context: click.Context, config: Path | None) -> None:
    """Watch the beds of a farm of 3D printers: tilt, warp, and what to do about them. It only reads."""
    context.obj = App(config)


for _family in _FAMILIES:
    for _command in import_module(f"farmwatch.cli.{_family}").COMMANDS:
        prepare(_command)
        commands.add_command(_command)


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code; a bug escapes with its traceback (exit 1)."""
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal cannot write is shown in part rather than ending the command.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    answered = answer_shell(commands)
    if answered is not None:
        return answered
    try:
        return _invoked(arguments)
    except click.exceptions.Exit as wanted:
        return wanted.exit_code
    except click.exceptions.NoArgsIsHelpError as help_wanted:
        print(help_wanted.format_message(), file=sys.stderr)
        return FAULT
    except click.ClickException as fault:
        error(_usage(fault))
        return FAULT
    except FarmwatchError as fault:
        error(f"{fault}{_as_its_owner(fault)}")
        return FAULT
    except (KeyboardInterrupt, click.Abort):
        error("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader (head, a pager) has seen enough.
        _drop_output()
    except OSError as fault:
        if fault.errno not in _OUTPUT_FAILS or fault.filename is not None:
            raise
        _drop_output()
        error(f"standard output cannot be written: {fault.strerror}; see what it leads to")
        return FAULT
    return 0


def _invoked(arguments: Sequence[str]) -> int:
    """Run the command, and say below what it said that letters cannot be delivered."""
    code = 0
    # Not `commands.main`: it makes its own ends of an interrupt and of a closed pipe.
    with commands.make_context("farmwatch", list(arguments)) as context:
        try:
            commands.invoke(context)
        except click.exceptions.Exit as wanted:
            code = wanted.exit_code
        sys.stdout.flush()
        if isinstance(context.obj, App) and (failing := context.obj.failing_deliveries()):
            error(failing)
    return code


def _drop_output() -> None:
    """What is still to be written goes nowhere: Python would complain once more when it flushes at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _as_its_owner(fault: FarmwatchError) -> str:
    """What to type where the database belongs to another user."""
    owner = getattr(fault, "owner", None)
    return f"; run: {shlex.join(['sudo', '-u', str(owner), *sys.argv])}" if owner else ""


def _usage(fault: click.ClickException) -> str:
    """What was typed wrong, in a line, and where to read what is right."""
    where = fault.ctx.command_path if isinstance(fault, click.UsageError) and fault.ctx else "farmwatch"
    return f"{fault_words(fault)}; see: {where} --help"
