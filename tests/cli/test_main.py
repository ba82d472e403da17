"""What holds for every command: help, exit codes, one line for a fault, a traceback for a bug."""

import os
import shlex
import signal
import socket
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from farmwatch import __version__, cli
from farmwatch.config import load_settings
from farmwatch.service import Job, run_job

ROOT = Path(__file__).parents[2]
COMMANDS = sorted(cli.commands.commands)
PROGRAM = [sys.executable, "-m", "farmwatch"]


def leaves(command: click.Command, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    if isinstance(command, click.Group):
        return [leaf for name, inner in command.commands.items() for leaf in leaves(inner, (*path, name))]
    return [(path, command)]


LEAVES = leaves(cli.commands)


@pytest.mark.parametrize(("path", "command"), LEAVES, ids=[" ".join(path) for path, _ in LEAVES])
def test_every_command_and_option_has_help_text(path, command):
    """Adding a command without words for it fails here."""
    assert (command.help or "").strip().endswith((".", ")")), path
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{path}: {option.name} has no help"


def test_every_command_stands_in_the_manual():
    """Adding a command without a place in README.md or DEVELOPERS.md fails here."""
    manual = (ROOT / "README.md").read_text() + (ROOT / "DEVELOPERS.md").read_text()

    assert [path for path, _ in LEAVES if f"farmwatch {' '.join(path)}" not in manual] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_the_screen_and_short_help_is_whole(name):
    result = CliRunner().invoke(cli.commands, [name, "--help"], terminal_width=80)

    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    listed = CliRunner().invoke(cli.commands, ["--help"], terminal_width=80).output
    (line,) = [line for line in listed.splitlines() if line.startswith(f"  {name} ")]
    assert line.split(maxsplit=1)[1] == cli.commands.commands[name].get_short_help_str(limit=500)


def test_a_command_loads_what_it_needs_and_no_more(farm):
    """What makes a command slow is what it imports; the times themselves are measured by a benchmark."""
    run_job(Job(kind="refresh", settings=load_settings(farm.config), at=datetime.now(UTC)), threading.Event())

    assert _loaded("--help") == ({"cli", "errors", "judge", "outcomes", "text"}, {"click", "lazy_loader"})
    ours, others = _loaded("--config", str(farm.config), "fleet")
    # Nothing that measures, follows or judges: the summaries are those that the service saved.
    assert ours == {
        "cli", "config", "errors", "files", "history", "judge", "mesh", "model", "outcomes", "report", "service",
        "store", "text", "tickets", "times",
    }  # fmt: skip
    assert others == {
        "annotated_types", "click", "duckdb", "lazy_loader", "numpy", "pydantic", "pydantic_core", "rich",
        "typing_extensions", "typing_inspection",
    }  # fmt: skip
    ours, others = _loaded("--config", str(farm.config), "machine", "heron-01")
    assert not {"collect", "exchange", "demo", "realign"} & ours
    assert not {"requests", "urllib3", "jinja2", "contourpy", "icalendar", "apscheduler", "jsonpath"} & others


def _loaded(*arguments: str) -> tuple[set[str], set[str]]:
    """Packages and modules of farmwatch, and packages of others, that a command line has loaded when it ends."""
    code = (
        "import sys; from farmwatch.cli import run; run(sys.argv[1:]); "
        "print(*(name for name, module in sys.modules.items() if getattr(module, '__file__', None)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=60, check=True
    )
    names = done.stdout.splitlines()[-1].split()
    standard = sys.stdlib_module_names | {"__main__", "farmwatch", "tzdata"}
    ours = {name.split(".")[1] for name in names if name.startswith("farmwatch.")}
    others = {name.split(".")[0] for name in names} - standard
    return ours, {name for name in others if not name.startswith("_")}


def test_version_and_module_entry():
    done = subprocess.run([*PROGRAM, "--version"], capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout, done.stderr) == (0, f"farmwatch {__version__}\n", "")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["machine"], "missing argument 'NAME'"),
        (["fleet", "--bogus"], "no such option"),
        (["bogus"], "no such command 'bogus'"),
        (["fleet", "--fail-on", "rain"], "'rain' is not"),
        (["machine", "heron-1"], 'no machine is called "heron-1"; did you mean "heron-01"?'),
        (["assess", "--machine", "zz"], 'no machine is called "zz"'),
        (["fleet", "--at", "yesterday"], "'yesterday' is no time"),
        (["report", "--week", "47"], "is no week"),
        (["out", "heron-01"], "missing option '--reason'"),
    ],
)
def test_a_fault_in_what_was_typed_is_one_line_and_exit_2(farm, arguments, says):
    code, out, err = farm(*arguments)

    assert code == 2
    assert out == ""
    assert says in err
    assert err.startswith("farmwatch: ")
    assert err.count("\n") == 1


def test_alone_it_shows_its_help_and_exits_2(capsys):
    assert cli.run([]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Commands:" in err


def test_faults_of_the_configuration_are_a_line_each(farm, spoil):
    spoil('timezone = "Europe/Dublin"', 'timezone = "Nowhere"')
    code, _, err = farm("fleet")
    assert code == 2
    assert err.count("\n") == 1
    spoil("lead_mm = 8.0", "lead_mm = -1")
    code, _, err = farm("fleet")
    assert code == 2
    assert [line.strip().split(":")[0] for line in err.splitlines()[1:]] == ["line 3", "line 11"]


def test_what_a_fault_repeats_is_plain(farm):
    code, _, err = farm("machine", "\x1b[31mheron\u202e")

    assert code == 2
    assert "\x1b" not in err
    assert "\u202e" not in err


def test_a_bug_keeps_its_traceback(farm, monkeypatch):
    monkeypatch.setattr("farmwatch.cli.app.App.now", lambda self: 1 / 0)

    with pytest.raises(ZeroDivisionError):
        cli.run(["--config", str(farm.config), "fleet"])


def test_a_bug_exits_1(farm):
    code = (
        "import sys, farmwatch.cli.app as a; a.App.now = lambda self: 1 / 0\n"
        f"sys.argv = ['farmwatch', '--config', {str(farm.config)!r}, 'fleet']\n"
        "from farmwatch.__main__ import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 1
    assert "ZeroDivisionError" in done.stderr
    assert "Traceback" in done.stderr


@pytest.mark.parametrize("arguments", [("assess", "--json"), ("fleet",)])
def test_a_reader_that_has_seen_enough_is_no_fault(farm, arguments):
    """`farmwatch fleet | head -0`: the pipe is closed before the first line."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [*PROGRAM, "--config", str(farm.config), *arguments],
        stdout=writer, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(writer)

    assert (done.returncode, done.stderr) == (0, "")


def test_an_interrupt_exits_130_and_what_was_asked_ends(farm, spoil):
    """A host that takes the question and never answers; the interrupt comes once it was asked."""
    with socket.create_server(("127.0.0.1", 0)) as host:
        spoil("deadline_seconds = 2", "deadline_seconds = 60")
        spoil(
            'aisle = "heron"',
            f'aisle = "heron"\nmapping = "survey-rows"\naddress = "http://127.0.0.1:{host.getsockname()[1]}"',
        )
        asked = threading.Event()
        held: list[socket.socket] = []
        host.settimeout(60)

        def hold() -> None:
            held.append(host.accept()[0])
            asked.set()

        threading.Thread(target=hold, daemon=True).start()
        with subprocess.Popen(
            [*PROGRAM, "--config", str(farm.config), "poll"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process:
            assert asked.wait(60)
            process.send_signal(signal.SIGINT)
            _, err = process.communicate(timeout=60)
        for connection in held:
            connection.close()

    assert process.returncode == 130
    assert err == "farmwatch: interrupted\n"


def test_a_terminal_without_unicode_still_gets_every_sign(farm):
    done = subprocess.run(
        [*PROGRAM, "--config", str(farm.config), "machine", "heron-01"], capture_output=True, timeout=60, check=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "COLUMNS": "80"},
    )  # fmt: skip
    text = done.stdout.decode("ascii")

    assert "tilt   -2.2" in text
    assert "front right: -0.4" in text


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here that is always full")
@pytest.mark.parametrize("arguments", [("fleet",), ("assess", "--json"), ("check",)])
def test_output_that_cannot_be_written_is_said_in_a_line(farm, arguments):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*PROGRAM, "--config", str(farm.config), *arguments],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "standard output cannot be written" in done.stderr


@pytest.mark.parametrize("closed", ["0<&-", ">&-", "2>&-", "0<&- >&- 2>&-"])
def test_closed_streams_lead_nowhere(farm, closed):
    command = shlex.join([*PROGRAM, "--config", str(farm.config), "fleet"])
    done = subprocess.run(["sh", "-c", f"{command} {closed}"], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert ("heron-01" in done.stdout) == (">&-" not in closed.replace("2>&-", ""))


def test_warnings_of_python_are_for_developers():
    """Unless they are asked for: a newer library's word on its own future is no word to a technician."""
    told = "import sys, warnings; sys.argv = ['farmwatch', '--version']\n"
    told += "import farmwatch.cli; run = farmwatch.cli.run\n"
    told += "farmwatch.cli.run = lambda words: (warnings.warn('old'), run(words))[1]\n"
    told += "from farmwatch.__main__ import main; main()\n"
    for options, says in (([], False), (["-W", "default"], True)):
        done = subprocess.run([sys.executable, *options, "-c", told], capture_output=True, text=True, check=False)
        assert done.returncode == 0
        assert ("old" in done.stderr) == says
