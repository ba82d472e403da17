"""init, demo, report."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch.cli import run
from farmwatch.report import Week


def test_init_then_check_is_a_way_through(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)

    assert run(["init", "farm"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("written: farm/config.toml and farm/machines.csv\n")
    assert out.rstrip().endswith("--config farm/config.toml check")
    assert run(["--config", "farm/config.toml", "check"]) == 0
    assert "no machine is described yet" in capsys.readouterr().out
    assert run(["init", "farm"]) == 2
    assert "is there already" in capsys.readouterr().err


def test_init_alone_writes_here(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)

    assert run(["init"]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["config.toml", "machines.csv"]
    assert run(["fleet"]) == 0
    assert "no machine is described" in capsys.readouterr().out


def test_report_says_where_it_lies_and_repeats_itself(farm):
    code, out, _ = farm("report")
    path = Path(out.strip().removeprefix("written: "))
    assert code == 0
    first = path.read_bytes()
    assert first.startswith(b"<!")

    assert farm("report")[1] == out
    assert path.read_bytes() == first


def test_a_first_report_is_of_the_week_that_holds_the_first_readings(farm):
    """Nothing was read by the end of the last full week: the report is of the running one and says so."""
    first = min(one.taken_at for one in farm.store.reading_slice(0, 10_000))
    code, out, _ = farm("report", "--at", first.isoformat())
    running = Week.holding(first.astimezone(ZoneInfo("Europe/Dublin")).date())
    assert code == 0
    assert f"farmwatch-{running}.html" in out.splitlines()[0]
    assert " ".join(out.splitlines()[1:]) == (
        f"It is of the week that still runs, {running}: nothing was read by the end of the last full one, "
        f"{running.previous()}."
    )


@pytest.mark.parametrize(("week", "says"), [("2026-W60", "is no week"), ("2999-W01", "has not begun")])
def test_report_of_a_week_that_cannot_be_is_refused(farm, week, says):
    code, _, err = farm("report", "--week", week)

    assert code == 2
    assert says in err


@pytest.mark.long
def test_a_small_demo_ends_with_where_to_look(tmp_path, capsys):
    assert run(["demo", "--dir", str(tmp_path / "demo"), "--weeks", "4", "--machines", "3"]) == 0

    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert err == ""
    assert lines[0].startswith("Saltmarsh Tidegate Works, an invented farm: 3 machines")
    report = lines[lines.index("Its weekly report, to open in a browser:") + 1].strip()
    assert Path(report).stat().st_size > 10_000
    assert lines[-1] == "The farm's hosts ended with the demo: poll and check find none of them any more."
    lines = lines[:-2]
    assert [line.split()[-1] for line in lines[-3:]] == ["fleet", "heron-01", "list"]
    config = str(tmp_path / "demo" / "config.toml")
    for line in lines[-3:]:
        words = line.split()
        assert words[1:3] == ["--config", config]
        assert run(words[1:]) == 0


def test_a_demo_that_cannot_be_is_refused(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")

    assert run(["demo", "--dir", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert (tmp_path / "mine.txt").read_text() == "mine"
    assert run(["demo", "--dir", str(tmp_path / "x"), "--weeks", "0"]) == 2
