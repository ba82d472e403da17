"""The last tries at one machine's host, in the farm's own time."""

from datetime import UTC, datetime

from farmwatch.store import PollRecord

from .conftest import Farm


def test_the_last_tries_stand_newest_on_top_in_farm_time_with_the_fix(farm: Farm):
    at = [datetime(2026, 7, 1, 12, minute, tzinfo=UTC) for minute in (0, 30)]
    records = [PollRecord(machine="heron-01", at=at[0], outcome="new", seconds=0.12)]
    records += [PollRecord(machine="heron-01", at=at[1], outcome="refused", reason="it wants a key [b]x", seconds=1.26)]
    records += [PollRecord(machine="plover-01", at=at[1], outcome="same", seconds=0.1)]
    farm.store.add_round([], records)

    code, out, _ = farm("polls", "heron-01")

    lines = out.splitlines()
    assert code == 0
    assert lines[1].split()[:6] == ["Wed", "1", "Jul", "2026,", "13:30", "refused"], "Dublin's summer is UTC + 1"
    assert "1.3 s" in out
    assert "[b]x" in out
    assert lines.index(next(line for line in lines if "13:00" in line)) > 1
    assert "heron-01: the last 2 of 2 tries on record." in out
    assert "fix: give the key or password" in out

    _, out, _ = farm("polls", "heron-01", "--last", "1")
    assert "the last 1 of 2 tries" in out
    assert "13:00" not in out
    assert "fix:" not in farm("polls", "plover-01")[1]


def test_a_machine_never_asked_and_an_unknown_one(farm: Farm):
    code, out, _ = farm("polls", "heron-01")
    assert (code, "no try is on record" in out) == (0, True)
    assert farm("polls", "heron-99")[0] == 2
    farm.config.with_name("farmwatch.duckdb").unlink()
    assert farm("polls", "heron-01")[0] == 0
    assert not farm.config.with_name("farmwatch.duckdb").exists(), "a look makes no database"
