"""From the command line to the report, as the README has it: a short demo in its own process."""

import json
import re
import shlex
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest

from farmwatch.demo import farm_truth, last_monday
from tests.demo.expected import expected_of

WEEKS, MACHINES = 4, 9
FARMWATCH = Path(sys.executable).with_name("farmwatch")
# The ports are the same in every run where they are free; somebody else may hold them.
_ADDRESS = re.compile(rb"127\.0\.0\.1:\d+")


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(FARMWATCH), *arguments], capture_output=True, text=True, timeout=60, check=False)


def _demo(folder: Path) -> str:
    done = _run("demo", "--dir", str(folder), "--weeks", str(WEEKS), "--machines", str(MACHINES), "--seed", "3")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("farm") / "a demo"
    return folder, _demo(folder)


def _report(folder: Path) -> Path:
    """The newest edition; the weeks before lie beside it."""
    return max((folder / "reports").glob("farmwatch-*.html"))


def test_the_demo_says_where_the_report_lies_and_shows_no_bar_in_a_pipe(farm: tuple[Path, str]) -> None:
    folder, printed = farm
    assert str(_report(folder).resolve()) in printed.replace("\n", "")
    assert "\r" not in printed
    assert "\x1b" not in printed


def test_the_report_names_every_machine_and_stands_alone(farm: tuple[Path, str]) -> None:
    page = _report(farm[0]).read_text(encoding="utf-8")
    for machine in farm_truth(MACHINES):
        assert machine.name in page
    assert "<script" not in page.lower()
    # Nothing from outside; the week before and the index of all weeks lie beside it.
    beside = re.findall(r"""(?:src|href)=["'](?!#|data:)([^"']*)["']""", page)
    assert "index.html" in beside
    assert all((_report(farm[0]).parent / name).is_file() for name in beside)


@pytest.fixture(scope="module")
def answers(farm: tuple[Path, str]) -> list[str]:
    """What the three printed commands print, run as they stand there, after the demo's hosts have stopped."""
    commands = [line.strip() for line in farm[1].splitlines() if " --config " in line]
    assert len(commands) == 3
    with ThreadPoolExecutor() as side_by_side:
        done = list(side_by_side.map(lambda command: _run(*shlex.split(command)[1:]), commands))
    assert [(one.returncode, one.stderr) for one in done] == [(0, "")] * 3
    return [one.stdout for one in done]


@pytest.fixture(scope="module")
def document(farm: tuple[Path, str]) -> str:
    """The assessment as a document."""
    done = _run("--config", str(farm[0] / "config.toml"), "assess", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_the_three_commands_work_as_printed(answers: list[str], document: str) -> None:
    fleet, machine, tickets = answers
    for truth in farm_truth(MACHINES):
        assert truth.name in fleet
        assert f'"{truth.name}"' in document
    assert "heron-01" in machine
    assert "heron-01" in tickets


def test_the_machines_that_need_hands_are_those_of_the_truth(document: str) -> None:
    said = {one["machine"]: one for one in json.loads(document)["machines"]}
    truth = {machine.name: expected_of(machine.name) for machine in farm_truth(MACHINES)}
    assert said.keys() == truth.keys()
    for name, expected in truth.items():
        assert (said[name]["condition"], said[name]["cause"]) == (expected.condition, expected.cause), name
        assert said[name]["advice"] == list(expected.advice), name


def test_a_folder_with_something_else_is_refused_in_a_line(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    done = _run("demo", "--dir", str(tmp_path), "--weeks", "4", "--machines", "1")
    assert done.returncode == 2
    assert "not an earlier demo" in done.stderr.replace("\n", " ")
    assert "Traceback" not in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_the_same_seed_in_the_same_week_gives_the_same_report(farm: tuple[Path, str]) -> None:
    """Run again over the first, which it replaces; should a Monday begin between the two, then once more."""
    folder, _ = farm
    for _ in range(2):
        monday, before = last_monday(datetime.now(UTC)), _report(folder)
        bytes_before = before.read_bytes()
        _demo(folder)
        if last_monday(datetime.now(UTC)) == monday and _report(folder) == before:
            break
    assert _ADDRESS.sub(b"", _report(folder).read_bytes()) == _ADDRESS.sub(b"", bytes_before)
