"""fleet, machine, assess."""

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from farmwatch.mesh import Mesh
from farmwatch.store import PollRecord
from tests.cli.conftest import AXIS, NOW, bed, reading


def test_fleet_lists_the_worst_first_and_counts(farm):
    code, out, err = farm("fleet")

    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("Saltmarsh Tidegate Works, ")
    assert [line.split()[0] for line in lines[3:6]] == ["heron-01", "plover-01", "<b>[red]x[/red]"]
    assert "past-limit" in lines[3]
    assert "turn the screws" in lines[3]
    assert "ideal" in lines[4]
    assert "3 machines: 1 past-limit, 1 ideal, 1 unknown" in " ".join(lines[6:])


@pytest.mark.parametrize(("columns", "headings"), [
    (120, "machine range condition cause to do mesh"),
    (80, "machine range condition to do mesh"),
    (60, "machine range condition to do"),
    (44, "machine range condition"),
])  # fmt: skip
def test_fleet_fits_its_terminal_and_names_what_it_leaves_out(farm, monkeypatch, columns, headings):
    monkeypatch.setenv("COLUMNS", str(columns))
    _, out, _ = farm("fleet")

    assert max(map(len, out.splitlines())) <= columns
    (heading,) = [line for line in out.splitlines() if line.startswith("machine ")]
    assert " ".join(heading.split()) == headings
    assert "past-limit" in out
    left_out = {60: "Not shown here: mesh;", 44: "Not shown here: to do and mesh;"}.get(columns, "")
    assert left_out in " ".join(out.split())
    assert ("Not shown here" in out) == bool(left_out)


def test_one_mesh_of_two_machines_is_marked_in_the_fleet(farm, monkeypatch):
    farm.store.add_readings([reading(name, 0.5, bed(0.0, 7)) for name in ("plover-01", "<b>[red]x[/red]")])
    out = " ".join(farm("fleet")[1].split())

    assert out.count("whose mesh?") == 2
    assert "<b>[red]x[/red] and plover-01 gave the same mesh, to the last digit: two names for one address?" in out
    page = " ".join(farm("machine", "plover-01")[1].split())
    assert "See first whose mesh this is: <b>[red]x[/red] gave the same one. By that mesh: no action needed." in page
    monkeypatch.setenv("COLUMNS", "44")
    assert "gave the same mesh" in " ".join(farm("fleet")[1].split())


def test_an_old_mesh_is_to_be_taken_again(farm):
    later = (NOW + timedelta(days=20)).isoformat()
    out, page = farm("fleet", "--at", later)[1], " ".join(farm("machine", "plover-01", "--at", later)[1].split())

    assert " ".join(next(line for line in out.splitlines() if line.startswith("plover-01")).split()).endswith(
        "ideal probe it hot: its mesh is old 21 d, old"
    )
    assert "Mesh it again, hot: its mesh is old. By that mesh: no action needed." in page
    assert "is 21 days old" in page
    document = json.loads(farm("fleet", "--json", "--at", later)[1])
    assert next(m for m in document["machines"] if m["machine"] == "plover-01")["advice"] == ["leave"]


def test_a_host_that_is_not_understood_is_to_be_looked_at_and_how(farm, spoil):
    spoil(
        'name = "plover-01"\naisle = "plover"\nmodel = "tideframe-220"',
        'name = "plover-01"\naisle = "plover"\nmodel = "tideframe-220"\nmapping = "survey-rows"\n'
        'address = "http://10.20.1.11"',
    )
    tries = [("same", 70), ("garbled", 60), ("garbled", 1)]
    farm.store.add_round(
        (), [PollRecord(machine="plover-01", at=NOW - timedelta(hours=h), outcome=outcome) for outcome, h in tries]
    )
    row = next(line for line in farm("fleet")[1].splitlines() if line.startswith("plover-01"))
    page = " ".join(farm("machine", "plover-01")[1].split())

    assert "fix its host" in row
    assert "garbled" in row
    assert "1 with a host not understood" in " ".join(farm("fleet")[1].split())
    assert "host: not understood, answered" in page
    assert "No action needed, and fix its host: no mesh comes from it." in page
    assert "Its host: compare the answer with the mapping" in page


def test_the_range_is_that_of_the_mesh_that_is_judged(farm, spoil):
    spoil('clockwise = "raises"', 'clockwise = "raises"\njudge_from_celsius = 45')
    farm.store.add_readings([replace(reading("plover-01", 0.1, bed(0.12, 3)), bed_celsius=19.0)])
    out, page = farm("fleet")[1], " ".join(farm("machine", "plover-01")[1].split())

    row = next(line for line in out.splitlines() if line.startswith("plover-01")).split()
    assert float(row[1]) < 0.04
    assert row[2] == "ideal"
    assert "plover-01: a newer mesh is not judged;" in " ".join(out.split())
    assert f"range {row[1]} mm as judged" in page
    assert "the newest mesh, not judged, shows 0.19" in page
    assert "What the newest mesh, not judged, is made of" in page
    document = json.loads(farm("fleet", "--json")[1])
    assert next(m for m in document["machines"] if m["machine"] == "plover-01")["range_mm"] > 0.1


def test_what_a_ticket_accepts_is_said_in_place_of_the_advice(farm, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    assert farm("ticket", "propose")[0] == 0
    end = (NOW + timedelta(days=90)).date().isoformat()
    code, _, err = farm("ticket", "accept", "1", "--by", "ada", "--limit", "0.9", "--until", end)
    assert (code, err) == (0, "")
    out = farm("fleet")[1]

    row = next(line for line in out.splitlines() if line.startswith("heron-01"))
    assert f"accepted to 0.90 until {end}" in row
    assert "turn the screws" not in row
    assert "1 past-limit (1 accepted)" in " ".join(out.split())
    page = " ".join(farm("machine", "heron-01")[1].split())
    assert f"Nothing: accepted to 0.90 until {end} by ticket 1. Without that: realign its screws." in page
    assert "accepted" not in farm("fleet", "--at", (NOW - timedelta(days=2)).isoformat())[1]


def test_assess_gives_the_reasons_of_each_machine(farm):
    out = " ".join(farm("assess")[1].split())

    assert "heron-01 Without the tilt, the bed is flat to" in out
    assert "No mesh of this machine has come in yet." in out
    assert "The bed itself" not in farm("fleet")[1]


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
        "heron-01  (tideframe-220, aisle heron)", "range 0.6", "past-limit, since", "What to do: Realign its screws.",
        "8 cautions: read them first, below.", "front right: up 1 tooth, clockwise seen from below",
        "rear: the reference, never turned", "That leaves a range of", "Before the first move",
        "8. farmwatch only reads.", "Why we think so", "Mesh and host", "What the range is made of",
        "Flatness deviation: what is left", "The bed, as you face the machine", "- front -", "History", "tooth-jump",
    )]  # fmt: skip
    assert places == sorted(places)
    assert max(map(len, out.splitlines())) <= 80
    assert "front right: up 1 tooth" in "\n".join(out.splitlines()[:12]), "verdict and moves without scrolling"


def test_cautions_are_asked_for_before_the_first_move_and_only_where_somebody_is_sent(farm):
    from farmwatch.judge import CAUTIONS

    tilted, well = " ".join(farm("machine", "heron-01")[1].split()), " ".join(farm("machine", "plover-01")[1].split())

    for caution in CAUTIONS:
        assert caution in tilted
        assert caution not in well
    assert tilted.index("8 cautions: read them first, below.") < tilted.index("up 1 tooth")
    assert "cautions" not in well
    assert "No action needed." in well
    never = farm("machine", "<b>[red]x[/red]")[1]
    assert "Probe it again, hot." in never
    assert "Before the first move" not in never


def test_a_step_that_is_not_known_is_learned_by_one_tooth_first(farm, spoil):
    spoil("lead_mm = 8.0\npulley_teeth = 20\n", "")
    page = " ".join(farm("machine", "heron-01")[1].split())

    assert page.index("8 cautions: read them first") < page.index("turn one screw by one tooth and mesh again, hot")


def test_an_even_bed_and_an_unknown_condition_are_said_once(farm):
    flat = Mesh.accept(AXIS, AXIS, np.zeros((7, 7)))
    assert "unknown (" not in farm("machine", "<b>[red]x[/red]")[1]
    farm.store.add_readings([reading("<b>[red]x[/red]", 0.5, flat)])

    assert "form   even; flatness deviation 0.000 mm" in farm("machine", "<b>[red]x[/red]")[1]


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


def machines_of(out: str) -> list[str]:
    return [line.split()[0] for line in out.splitlines() if line.startswith(("heron-", "plover-", "<b>"))]


def test_fleet_of_one_aisle_or_condition_and_in_another_order(farm):
    assert machines_of(farm("fleet", "--aisle", "plover")[1]) == ["plover-01"]
    assert machines_of(farm("fleet", "--aisle", "plover", "--aisle", "heron")[1]) == ["heron-01", "plover-01"]
    assert machines_of(farm("fleet", "--condition", "ideal", "--condition", "unknown")[1])[0] == "plover-01"
    assert "1 machine: 1 past-limit." in farm("fleet", "--condition", "past-limit")[1]
    assert machines_of(farm("fleet", "--sort", "name")[1]) == ["<b>[red]x[/red]", "heron-01", "plover-01"]
    assert machines_of(farm("fleet", "--sort", "range")[1]) == ["heron-01", "plover-01", "<b>[red]x[/red]"]
    assert machines_of(farm("fleet", "--sort", "age")[1])[0] == "<b>[red]x[/red]", "never read is oldest"
    found = json.loads(farm("fleet", "--sort", "name", "--aisle", "heron", "--json")[1])
    assert [one["machine"] for one in found["machines"]] == ["heron-01"]
    code, out, err = farm("fleet", "--aisle", "hern")
    assert (code, out) == (2, "")
    assert "aisles: heron, plover" in err
    assert "none is like that" in farm("fleet", "--condition", "usable")[1]
    assert machines_of(farm("fleet", "--needs-work")[1]) == ["heron-01"]
    assert farm("fleet", "--fail-on", "past-limit", "--aisle", "plover")[0] == 0, "what is not shown does not count"
    assert farm("fleet", "--fail-on", "past-limit", "--aisle", "heron")[0] == 3


def scaled(range_mm, seed):
    """A bed of that range, to the last digit."""
    mesh = bed(0.1, seed)
    return Mesh.accept(mesh.x, mesh.y, mesh.z * (range_mm / mesh.range_mm))


def test_usable_above_the_limit_says_why(farm):
    farm.config.with_name("farmwatch.duckdb").unlink()
    meshes = [reading("heron-01", 20 - day, scaled(0.185 if day < 15 else 0.211, day)) for day in range(16)]
    farm.store.add_readings(meshes)
    row = next(line for line in farm("fleet")[1].splitlines() if line.startswith("heron-01"))
    assert row.split()[1:3] == ["0.211", "usable*"]
    assert "* its newest mesh alone does not decide" in " ".join(farm("fleet")[1].split())
    said = " ".join(farm("machine", "heron-01")[1].split())
    assert "Still usable: 0.21 mm is over the limit of 0.20 by no more than meshes of one bed differ" in said


def test_a_machine_that_never_gave_a_mesh_is_sent_to_its_host(farm, spoil):
    spoil('name = "plover-01"\n', 'name = "plover-02"\nmapping = "survey-rows"\naddress = "http://127.0.0.1:9"\n')
    assert "Its host has not been asked yet." in farm("machine", "plover-02")[1]
    assert farm("poll")[0] == 0
    said = " ".join(farm("machine", "plover-02")[1].split())
    assert "its host has never given one" in said
    assert "Its host: see that the machine is on and on the network" in said
    assert "Probe it" not in said


def test_no_drift_is_told_from_fewer_than_six_readings(farm):
    farm.config.with_name("farmwatch.duckdb").unlink()
    for number in range(6):
        farm.store.add_readings([reading("heron-01", 40 - 6 * number, bed(0.02 * number, number))])
        (one,) = json.loads(farm("assess", "--json", "--machine", "heron-01")[1])["machines"]
        assert (one["drift"] is None) == (number < 5)


def test_a_job_stands_beside_its_machine_and_is_no_work_once_it_is_done(farm, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    assert " job " not in farm("fleet")[1].splitlines()[2], "no ticket, no column"
    assert farm("ticket", "propose")[0] == 0
    assert farm("ticket", "approve", "1", "--by", "ada", "--for", "bench 2")[0] == 0
    row = next(line for line in farm("fleet")[1].splitlines() if line.startswith("heron-01"))
    assert "1 approved, bench 2" in row
    for step in ("take", "done"):
        assert farm("ticket", step, "1", "--by", "bench 2")[0] == 0
    assert machines_of(farm("fleet", "--needs-work")[1]) == []
    assert "awaiting its" in farm("fleet")[1]
