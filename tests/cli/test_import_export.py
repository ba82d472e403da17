"""import and export."""

import json
import re

import pytest

LINE = {
    "machine": "heron-01", "taken_at": "2026-11-20T05:58:11Z", "x": [10, 110, 210], "y": [10, 110, 210],
    "heights": [[0.01, 0.02, 0.0], [0.0, None, 0.01], [0.02, 0.01, 0.0]],
}  # fmt: skip


BOTH = ("rear", "front")


@pytest.mark.parametrize(("form", "suffix"), [("ndjson", "ndjson"), ("csv", "csv"), ("parquet", "parquet")])
def test_what_goes_out_comes_back(farm, form, suffix, tmp_path):
    before = farm.store.reading_count()
    code, out, err = farm("export", "--to", str(tmp_path / "out"), "--format", form)
    assert (code, err) == (0, "")
    assert out.startswith(f"{before} readings written: ")
    (file,) = (tmp_path / "out").iterdir()
    assert file.suffix == f".{suffix}"

    assert farm("import", str(file))[1] == f"0 stored, {before} there already, 0 refused\n"
    farm.config.with_name("farmwatch.duckdb").unlink()
    assert farm("import", str(file))[1] == f"{before} stored, 0 there already, 0 refused\n"


def test_a_bad_line_is_named_the_good_ones_are_kept_and_again_is_harmless(farm, tmp_path):
    file = tmp_path / "some.ndjson"
    unknown = {**LINE, "machine": "heron-\x1b[1m9"}
    file.write_text("\n".join([json.dumps(LINE), "{nonsense", json.dumps(unknown)]) + "\n")

    code, out, err = farm("import", str(file))

    assert code == 2
    assert out == "1 stored, 0 there already, 2 refused\n"
    assert [re.search(r"line (\d+): ", line)[1] for line in err.splitlines()] == ["2", "3"]
    assert "\x1b" not in err
    assert farm("import", str(file))[1] == "0 stored, 1 there already, 2 refused\n"


def test_a_plain_grid_of_one_machine(farm, tmp_path):
    file = tmp_path / "grid.txt"
    file.write_text("0.01 0.02 0.03\n0.0 - 0.01\n0.02 0.01 0.0\n")
    arguments = ["import", "--machine", "plover-01", "--at", "2026-07-01 08:15", str(file)]

    assert farm(*arguments)[0] == 2
    code, out, err = farm(*arguments, "--x", "10", "210", "--y", "20", "200")
    assert (code, out.splitlines()[0], err) == (0, "stored: plover-01, Wed 1 Jul 2026, 08:15", "")
    mesh = farm.store.histories(["plover-01"])["plover-01"].mesh(0)
    assert (list(mesh.x), list(mesh.y)) == ([10, 110, 210], [20, 110, 200])
    assert mesh.z[0, 2] == 0.03
    assert "there already" in farm(*arguments, "--x", "10", "210", "--y", "20", "200")[1]


def test_a_plain_grid_is_drawn_and_says_which_line_is_the_front(farm, tmp_path):
    file = tmp_path / "grid.txt"
    file.write_text("0.31 0.02 0.03\n0.0 - 0.01\n0.02 0.01 -0.27\n")
    arguments = ["import", "--machine", "plover-01", "--at", "2026-07-01 08:15", "--x", "10", "210", "--y", "20", "200"]
    before = farm.store.reading_count()

    code, out, err = farm(*arguments, "--look", str(file))
    assert (code, err, farm.store.reading_count()) == (0, "", before)
    assert out.startswith("not stored: plover-01")
    assert "The first line was taken as the front row, from left to right." in out
    assert "highest +0.310 at x 10, y 20; lowest -0.270 at x 210, y 200" in " ".join(out.split())
    rear, front = (next(i for i, line in enumerate(out.splitlines()) if f"- {word} -" in line) for word in BOTH)
    assert rear < next(i for i, line in enumerate(out.splitlines()) if "+0.31" in line) < front

    assert farm(*arguments, str(file))[0] == 0
    out = " ".join(farm(*arguments, "--first", "rear-right", str(file))[1].split())
    assert "The first line was taken as the rear row, from right to left." in out
    assert "highest +0.310 at x 210, y 200" in out
    # Of two at one time the later import is the newest.
    assert farm.store.histories(["plover-01"])["plover-01"].mesh(1).z[-1, -1] == 0.31


def test_lines_that_are_refused_come_in_the_order_of_the_file(farm, tmp_path):
    file = tmp_path / "some.ndjson"
    future = {**LINE, "taken_at": "2031-01-01T00:00:00+02:00"}
    lines = [LINE, future, {**LINE, "machine": "heron-9"}, "{nonsense"]
    file.write_text("\n".join(line if isinstance(line, str) else json.dumps(line) for line in lines) + "\n")

    code, _, err = farm("import", str(file))

    assert code == 2
    assert [re.search(r"line (\d+): ", line)[1] for line in err.splitlines()] == ["2", "3", "4"]
    # As it stands in the file, where one would look for it.
    assert "2031-01-01T00:00:00+02:00 lies before 2015 or in the future" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["missing.ndjson"], "there is no such file"),
        (["missing.ndjson", "--at", "2026-07-01 08:15"], "go with a plain grid"),
        (["missing.ndjson", "--first", "rear-left"], "go with a plain grid"),
        (["g.txt", "--machine", "plover-01"], "--at is missing"),
        (["g.txt", "--machine", "plover-1", "--at", "2026-07-01 08:15"], 'did you mean "plover-01"?'),
        (["g.txt", "h.txt", "--machine", "plover-01", "--at", "2026-07-01 08:15"], "2 files are named"),
        (["g.txt", "--machine", "plover-01", "--at", "2026-10-25 01:30"], "came twice"),
        ([], "missing argument 'FILE...'"),
    ],
)
def test_what_cannot_be_imported_is_said_in_a_line(farm, arguments, says):
    code, out, err = farm("import", *arguments)

    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_export_where_nothing_can_be_written_says_so(farm, tmp_path):
    (tmp_path / "file").write_text("")

    code, _, err = farm("export", "--to", str(tmp_path / "file"))

    assert code == 2
    assert err.count("\n") == 1
