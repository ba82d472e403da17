"""fleet, machine, assess."""

import json

import pytest


def test_fleet_lists_the_worst_first_and_counts(farm):
    code, out, err = farm("fleet")

    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("Saltmarsh Tidegate Works, ")
    assert [line.split()[0] for line in lines[3:6]] == ["heron-01", "plover-01", "<b>[red]x[/red]"]
    assert "past-limit" in lines[3]
    assert "realign" in lines[3]
    assert "ideal" in lines[4]
    assert "3 machines: 1 past-limit, 1 ideal, 1 unknown" in " ".join(lines[6:])


@pytest.mark.parametrize(("columns", "headings"), [
    (80, "machine range condition cause to do mesh"),
    (60, "machine range condition to do"),
    (44, "machine range condition"),
])  # fmt: skip
def test_fleet_fits_its_terminal(farm, monkeypatch, columns, headings):
    monkeypatch.setenv("COLUMNS", str(columns))
    _, out, _ = farm("fleet")

    assert max(map(len, out.splitlines())) <= columns
    (heading,) = [line for line in out.splitlines() if line.startswith("machine ")]
    assert " ".join(heading.split()) == headings
    assert "past-limit" in out


def test_a_name_as_long_as_may_be_is_shown_whole(farm, spoil, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    name = "".join(chr(ord("a") + number % 26) for number in range(80))
    spoil("'<b>[red]x[/red]'", f"'{name}'")
    _, out, _ = farm("fleet")

    assert max(map(len, out.splitlines())) <= 60
    rows = out[out.index("abcde") : out.index("3 machines")].splitlines()
    assert "".join(row.split()[0] for row in rows if row.strip()) == name


def test_fleet_json_is_one_document_with_its_schema(farm):
    code, out, err = farm("fleet", "--json")

    assert (code, err, out.count("\n")) == (0, "", 1)
    document = json.loads(out)
    assert document["schema"] == "farmwatch.fleet/1"
    assert document["at"].endswith("Z")
    assert [m["machine"] for m in document["machines"]] == ["heron-01", "plover-01", "<b>[red]x[/red]"]
    assert document["machines"][0]["condition"] == "past-limit"
    assert document["machines"][0]["range_mm"] == pytest.approx(0.62, abs=0.05)
    assert document["machines"][2]["range_mm"] is None


@pytest.mark.parametrize("command", ["fleet", "assess"])
def test_fail_on_exits_3_only_where_asked_and_true(farm, command):
    assert farm(command)[0] == 0
    assert farm(command, "--fail-on", "past-limit")[0] == 3
    assert farm(command, "--json", "--fail-on", "past-limit")[0] == 3
    assert farm("out", "heron-01", "--reason", "new belt")[0] == 0
    assert farm(command, "--fail-on", "past-limit")[0] == 0


def test_assess_json_is_the_assessment_document(farm):
    code, out, _ = farm("assess", "--json", "--machine", "plover-01")

    document = json.loads(out)
    assert code == 0
    assert document["schema"] == "farmwatch.assessment/1"
    assert [m["machine"] for m in document["machines"]] == ["plover-01"]
    assert document["machines"][0]["condition"] == "ideal"


def test_at_shows_what_was_known_then(farm):
    from datetime import datetime, timedelta

    then = datetime.fromisoformat(json.loads(farm("fleet", "--json")[1])["at"]) - timedelta(days=20)
    _, out, _ = farm("assess", "--json", "--at", then.isoformat())

    document = json.loads(out)
    assert document["at"] == then.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert document["machines"][0]["condition"] == "ideal"


def test_machine_shows_all_of_it_in_order(farm):
    code, out, _ = farm("machine", "heron-01")

    assert code == 0
    places = [out.index(words) for words in (
        "heron-01  (tideframe-220, aisle heron)", "range 0.6", "past-limit since", "What the range is made of",
        "The bed, as you face the machine", "- front -", "History", "tooth-jump", "What to do", "Realign its screws.",
        "Before the first move", "8. farmwatch only reads.", "Moves",
        "front right: up 1 tooth, clockwise seen from below",
        "rear: the reference, never turned", "That leaves a range of",
    )]  # fmt: skip
    assert places == sorted(places)
    assert max(map(len, out.splitlines())) <= 80


def test_cautions_stand_before_the_first_move_and_only_where_somebody_is_sent(farm):
    from farmwatch.judge.cautions import CAUTIONS

    tilted, well = " ".join(farm("machine", "heron-01")[1].split()), " ".join(farm("machine", "plover-01")[1].split())

    for caution in CAUTIONS:
        assert caution in tilted
        assert tilted.index(caution) < tilted.index("up 1 tooth")
        assert caution not in well
    assert "Leave it alone." in well


def test_machine_fits_60_columns_and_is_plain_text(farm, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    for name in ("heron-01", "plover-01", "<b>[red]x[/red]"):
        code, out, _ = farm("machine", name)
        assert code == 0
        assert max(map(len, out.splitlines())) <= 60
        assert out.startswith(name)
        assert "\x1b" not in out


def test_a_machine_out_of_service_says_why(farm):
    farm("out", "heron-01", "--reason", "waiting for a [bold]belt")

    _, out, _ = farm("machine", "heron-01")

    assert "out of service: waiting for a [bold]belt; stored and shown, not judged" in out
