"""What a mapping makes of an answer: every layout and convention gives the same mesh, and nothing is guessed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from itertools import product
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.collect import PollError, Reader
from farmwatch.collect.mapping import read_answer
from farmwatch.config import Mapping
from farmwatch.config.settings import Also
from farmwatch.mesh import Mesh

ROWS = [[0.1, 0.2, 0.3], [0.0, 0.1, None], [0.15, 0.11, 0.12]]
CORNERS = ("front-left", "front-right", "rear-left", "rear-right")
PER_MM = {"mm": 1.0, "um": 1000.0, "inch": 1 / 25.4}


def mapping(**given: Any) -> Mapping:
    fields = {"name": "survey", "path": "/m", "heights": "$.grid", "x": (10.0, 110.0, 210.0), "y": (10.0, 110.0, 210.0)}
    return Mapping(**{name: value for name, value in {**fields, **given}.items() if value is not None})


def body(**answer: Any) -> bytes:
    return json.dumps({"grid": ROWS, **answer}).encode()


@st.composite
def meshes(draw: st.DrawFn) -> Mesh:
    """Meshes whose heights survive a change of unit within a rounding, some points missing."""
    rows, columns = draw(st.integers(3, 6)), draw(st.integers(3, 6))
    x, y = (10.0 * np.cumsum(draw(st.lists(st.integers(1, 9), min_size=n, max_size=n))) for n in (columns, rows))
    heights = draw(st.lists(st.integers(-2000, 2000), min_size=rows * columns, max_size=rows * columns))
    z = np.array(heights, dtype=float).reshape(rows, columns) / 1000
    if draw(st.booleans()):
        z[draw(st.integers(0, rows - 1)), draw(st.integers(0, columns - 1))] = np.nan
    return Mesh.accept(x, y, z)


def listed(mesh: Mesh, first: str, order: str, serpentine: bool, unit: str, sign: str) -> np.ndarray:
    """The mesh as a host of that convention would list it: runs of heights. Written point by point, as a check."""
    along_x = order == "along-x"
    xs = range(mesh.columns) if "left" in first else range(mesh.columns - 1, -1, -1)
    ys = range(mesh.rows) if "front" in first else range(mesh.rows - 1, -1, -1)
    runs = []
    for number, outer in enumerate(ys if along_x else xs):
        inner = list(xs if along_x else ys)
        if serpentine and number % 2:
            inner.reverse()
        runs.append([mesh.z[outer, i] if along_x else mesh.z[i, outer] for i in inner])
    return np.array(runs) * PER_MM[unit] * (1 if sign == "bed-up" else -1)


def with_nulls(values: Any) -> Any:
    if isinstance(values, np.ndarray):
        values = values.tolist()
    if isinstance(values, list):
        return [with_nulls(value) for value in values]
    return None if values != values else values


conventions = st.tuples(
    st.sampled_from(CORNERS),
    st.sampled_from(["along-x", "along-y"]),
    st.booleans(),
    st.sampled_from(sorted(PER_MM)),
    st.sampled_from(["bed-up", "bed-down"]),
)


class TestLaws:
    """Unit, sign, corner, order and serpentine of a mapping never change the mesh."""

    @settings(max_examples=80, deadline=None)
    @given(meshes(), conventions, st.sampled_from(["rows", "flat"]), st.booleans())
    def test_every_convention_gives_the_same_mesh(self, mesh, convention, layout, falling):
        first, order, serpentine, unit, sign = convention
        runs = listed(mesh, *convention)
        x, y = mesh.x.tolist(), mesh.y.tolist()
        # A host lists its coordinates from the left, or in the order of its heights.
        if falling and "right" in first:
            x.reverse()
        if falling and "rear" in first:
            y.reverse()
        answer = {"h": with_nulls(runs if layout == "rows" else runs.ravel()), "x": x, "y": y, "n": mesh.columns}
        read = read_answer(
            mapping(
                heights="$.h", layout=layout, columns="$.n" if layout == "flat" else None, x="$.x", y="$.y",
                first=first, order=order, serpentine=serpentine, unit=unit, sign=sign,
            ),
            json.dumps(answer).encode(),
        ).mesh  # fmt: skip
        assert np.array_equal(read.x, mesh.x)
        assert np.array_equal(read.y, mesh.y)
        np.testing.assert_allclose(read.z, mesh.z, rtol=0, atol=1e-14)
        if unit == "mm":
            assert read.same_as(mesh)

    @settings(max_examples=50, deadline=None)
    @given(meshes(), st.randoms(use_true_random=False), st.sampled_from(sorted(PER_MM)))
    def test_points_come_in_any_order(self, mesh, random, unit):
        x, y, z = mesh.points()
        points = [
            {"at": [a, b], "h": c * PER_MM[unit]} for a, b, c in zip(x.tolist(), y.tolist(), z.tolist(), strict=True)
        ]
        random.shuffle(points)
        read = read_answer(
            mapping(heights="$", layout="points", point_x="$.at[0]", point_y="$.at[1]", point_z="$.h", unit=unit),
            json.dumps(points).encode(),
        ).mesh
        assert np.array_equal(read.x, mesh.x)
        np.testing.assert_allclose(read.z, mesh.z, rtol=0, atol=1e-14)

    @settings(max_examples=50, deadline=None)
    @given(meshes(), conventions, st.sampled_from([" ", "\t", ",", ", ", ";", "   "]))
    def test_text_is_as_good_as_json(self, mesh, convention, apart):
        first, order, serpentine, unit, sign = convention
        runs = listed(mesh, *convention)
        text = "\n".join(apart.join(repr(float(value)) for value in run) for run in runs) + "\n"
        read = read_answer(
            mapping(
                heights=None, answer="text", x=tuple(mesh.x.tolist()), y=tuple(mesh.y.tolist()),
                first=first, order=order, serpentine=serpentine, unit=unit, sign=sign,
            ),
            text.encode(),
        ).mesh  # fmt: skip
        np.testing.assert_allclose(read.z, mesh.z, rtol=0, atol=1e-14)


class TestCoordinates:
    @pytest.mark.parametrize(
        "given",
        [
            "$.x",
            ("$.ends.low", "$.ends.high"),
            ("$.ends.high", "$.ends.low"),
            "$.two",
            "$.rail[*].at",
            (10.0, 210.0),
            (10.0, 110.0, 210.0),
        ],
    )
    def test_every_way_to_give_them(self, given):
        answer = body(
            x=[10, 110, 210], ends={"low": 10, "high": 210}, two=[10, 210], rail=[{"at": a} for a in (10, 110, 210)]
        )
        first = "front-right" if given == ("$.ends.high", "$.ends.low") else "front-left"
        assert read_answer(mapping(x=given, first=first), answer).mesh.x.tolist() == [10, 110, 210]

    def test_the_ends_are_exact_and_the_steps_even(self):
        row = [0.1] * 7
        mesh = read_answer(mapping(x=(0.1, 219.7), y=(3.3, 200.1)), json.dumps({"grid": [row] * 7}).encode()).mesh
        assert (mesh.x[0], mesh.x[-1], mesh.y[-1]) == (0.1, 219.7, 200.1)
        np.testing.assert_allclose(np.diff(mesh.x), 36.6, rtol=1e-12)

    def test_a_falling_list_contradicts_a_left_corner(self):
        with pytest.raises(PollError, match=r"x falls from 210 to 10.*stands at the right") as caught:
            read_answer(mapping(x=(210.0, 10.0)), body())
        assert caught.value.outcome == "garbled"

    @pytest.mark.parametrize(
        ("x", "words"),
        [
            ("$.nowhere", "x: \\$.nowhere holds nothing"),
            ("$.four", "4 x coordinates for 3 heights"),
            ("$.words", "x: value 2 of \\$.words holds the text 'b'"),
            (("$.four[0]", "$.nowhere"), "x: \\$.nowhere holds nothing"),
        ],
    )
    def test_wrong_ones_are_garbled(self, x, words):
        with pytest.raises(PollError, match=words) as caught:
            read_answer(mapping(x=x), body(four=[1, 2, 3, 4], words=[1, "b", 3]))
        assert caught.value.outcome == "garbled"


class TestPlaces:
    def test_a_path_of_many_places_gives_rows_or_heights_or_points(self):
        rows = {"lines": [{"h": row} for row in ROWS], "deep": {"er": {"grid": ROWS}}}
        text = json.dumps(rows).encode()
        expected = read_answer(mapping(), body()).mesh
        assert read_answer(mapping(heights="$.lines[*].h"), text).mesh.same_as(expected)
        assert read_answer(mapping(heights="$..grid"), text).mesh.same_as(expected)
        assert read_answer(mapping(heights="$.lines[*].h[*]", layout="flat", columns=3), text).mesh.same_as(expected)

    def test_quoted_names_and_indices(self):
        text = json.dumps({"a b": [0, {"it's": ROWS}]}).encode()
        assert read_answer(mapping(heights="""$['a b'][-1]["it's"]"""), text).mesh.rows == 3

    def test_several_grids_need_a_choice(self):
        text = json.dumps({"a": {"grid": ROWS}, "b": {"grid": ROWS}}).encode()
        with pytest.raises(PollError) as caught:
            read_answer(mapping(heights="$..grid"), text)
        assert caught.value.outcome == "garbled"


ALL = {"taken_at": "$.t", "bed_celsius": "$.bed", "plate": "$.plate", "identity": "$.id"}


class TestBeside:
    def test_all_of_it(self):
        found = read_answer(mapping(**ALL), body(t="2026-11-23T05:58:11Z", bed=60, plate="A", id=17))
        assert found.taken_at == datetime(2026, 11, 23, 5, 58, 11, tzinfo=UTC)
        assert (found.bed_celsius, found.plate, found.identity, found.remarks) == (60.0, "A", "17", ())

    def test_nothing_there_is_none_but_an_identity_must_be(self):
        paths = {**ALL, "identity": None}
        found = read_answer(mapping(**paths), body(bed=None))
        assert (found.taken_at, found.bed_celsius, found.plate) == (None, None, None)
        with pytest.raises(PollError, match="identity") as caught:
            read_answer(mapping(**ALL), body())
        assert caught.value.outcome == "garbled"

    @pytest.mark.parametrize("bed", ["60", True, [60]])
    def test_a_temperature_must_be_a_number(self, bed):
        with pytest.raises(PollError, match="bed_celsius holds") as caught:
            read_answer(mapping(**ALL), body(bed=bed, id="x"))
        assert caught.value.outcome == "garbled"

    def test_a_temperature_that_cannot_be_is_left_out_with_a_remark(self):
        found = read_answer(mapping(bed_celsius="$.bed"), body(bed=-273.15))
        assert found.bed_celsius is None
        assert "-273.15" in found.remarks[0]

    def test_a_second_answer(self):
        also = (Also(path="/state", bed_celsius="$.bed", identity="$.id"),)
        found = Reader(mapping(also=also)).read(body(), [b'{"bed": 61.5, "id": "k7"}'])
        assert (found.bed_celsius, found.identity) == (61.5, "k7")

    def test_labels_are_plain(self):
        found = read_answer(mapping(plate="$.p"), body(p="\x1b[31mred\r\n" + "x" * 500))
        assert found.plate is not None
        assert found.plate.isprintable()
        assert len(found.plate) <= 200


class TestTimes:
    """RFC 3339 (2002), epoch seconds and milliseconds; times without offset in the mapping's zone."""

    @pytest.mark.parametrize(
        ("given", "expected"),
        [
            ("2026-07-01T12:00:00Z", "2026-07-01T12:00:00"),
            ("2026-07-01T12:00:00.25+02:00", "2026-07-01T10:00:00.250"),
            ("2026-07-01 12:00:00", "2026-07-01T11:00:00"),
            ("2026-12-01T12:00:00", "2026-12-01T12:00:00"),
            # Clocks went back at 02:00 on 25 October 2026 in Ireland: 01:30 came twice, the first is meant.
            ("2026-10-25T01:30:00", "2026-10-25T00:30:00"),
            (1782907200, "2026-07-01T12:00:00"),
            (1782907200.5, "2026-07-01T12:00:00.500"),
            (1782907200000, "2026-07-01T12:00:00"),
        ],
    )
    def test_read(self, given, expected):
        found = read_answer(mapping(taken_at="$.t", taken_at_zone=ZoneInfo("Europe/Dublin")), body(t=given))
        assert found.taken_at == datetime.fromisoformat(expected).replace(tzinfo=UTC)
        assert found.remarks == ()

    @pytest.mark.parametrize("given", ["yesterday", "2026-W27-3", "", True, {}, 1e300, "0001-01-01T00:00:00+14:00"])
    def test_unreadable_is_a_remark(self, given):
        found = read_answer(mapping(taken_at="$.t"), body(t=given))
        assert found.taken_at is None
        assert "cannot be read" in found.remarks[0]

    def test_without_offset_or_zone_nothing_is_guessed(self):
        found = read_answer(mapping(taken_at="$.t"), body(t="2026-07-01T12:00:00"))
        assert found.taken_at is None
        assert "taken_at_zone" in found.remarks[0]


def nested(depth: int) -> bytes:
    return b"[" * depth + b"]" * depth


GARBLED = {
    "html": (b"<!doctype html><title>Sign in</title>", "web page \\(titled 'Sign in'\\)"),
    "truncated": (body()[:-9], "breaks off"),
    "nan": (b'{"grid": [[NaN, 1, 2]]}', "NaN at line 1, column 12 is no number in JSON"),
    "infinity": (b'{"grid": [[1, -Infinity, 2]]}', "Infinity"),
    "not json": (b"hello", "not JSON"),
    "not utf-8": (b'{"grid": "\xff\xfe"}', "not UTF-8"),
    "text for a number": (body(grid=[[1, 2, 3], [1, "abc", 3], [1, 2, 3]]), "row 2, value 2 holds the text 'abc'"),
    "digits in text": (body(grid=[[1, 2, 3], [1, "0.1", 3], [1, 2, 3]]), "holds the text '0.1'"),
    "boolean": (body(grid=[[1, 2, 3], [1, 2, 3], [1, 2, True]]), "row 3, value 3 holds true"),
    "ragged": (body(grid=[[1, 2, 3], [1, 2], [1, 2, 3]]), "row 2 holds 2 heights and row 1 holds 3"),
    "object": (body(grid={"a": 1}), "holds an object where heights are wanted"),
    "number": (body(grid=7), "holds a number where heights are wanted"),
    "flat for rows": (body(grid=[1, 2, 3]), "row 1 holds a number"),
    "deep": (b'{"grid": ' + nested(100_000) + b"}", "nested more than a thousand deep"),
    "deep inside": (b'{"grid": ' + nested(900) + b"}", "holds a list"),
}
NO_MESH = {
    "empty": (b"", "empty"),
    "blank": (b" \r\n", "empty"),
    "null": (b'{"grid": null}', "holds no heights"),
    "no rows": (b'{"grid": []}', "holds no heights"),
    "all null": (body(grid=[[None] * 3] * 3), "all 9 heights are missing"),
    "wrong path": (b'{"bed": 1, "state": 2}', "finds nothing: no mesh yet, or the path is wrong .*holds bed, state"),
    "a list": (b"[1]", "finds nothing"),
}
IMPLAUSIBLE = {
    "one row": (body(grid=[[1, 2, 3]]), "at least 3 x 3"),
    "one column": (body(grid=[[1], [2], [3]]), "at least 3 x 3"),
    "wrong unit": (body(grid=[[0, 0, 0], [0, 15, 0], [0, 0, 200]]), "another unit"),
    "too many missing": (body(grid=[[None, None, 3], [1, 2, 3], [1, 2, 3]]), "22% of the points are missing"),
    "million": (json.dumps({"grid": [[0] * 1000] * 1000}).encode(), "1,000,000 heights"),
    "endless digits": (b'{"grid": [[1,2,3],[1,2,' + b"9" * 200 + b"],[1,2,3]]}", "another unit"),
    "repeated": (body(same=[10, 10, 210]), "without repeats"),
}
ONE_COLUMN = {"one column": {"x": (10.0, 20.0)}, "one row": {"y": (10.0, 20.0)}, "repeated": {"x": "$.same"}}


class TestBadAnswers:
    @pytest.mark.parametrize(
        ("outcome", "name"),
        [*product(["garbled"], GARBLED), *product(["no-mesh"], NO_MESH), *product(["implausible"], IMPLAUSIBLE)],
    )
    def test_outcome_and_reason(self, outcome, name):
        answer, words = {"garbled": GARBLED, "no-mesh": NO_MESH, "implausible": IMPLAUSIBLE}[outcome][name]
        with pytest.raises(PollError, match=words) as caught:
            read_answer(mapping(**ONE_COLUMN.get(name, {})), answer)
        assert caught.value.outcome == outcome
        assert len(caught.value.reason) < 250

    @pytest.mark.parametrize(
        ("text", "outcome", "words"),
        [
            ("0,12 0,13 0,14\n" * 3, "garbled", "holds '12 0'"),
            ("0,12; 0,13; 0,14\n" * 3, "garbled", "holds '0,12'"),
            ("1 2 inf\n" * 3, "garbled", "holds 'inf'"),
            ("1 2 1_0\n" * 3, "garbled", "holds '1_0'"),
            ("1 2 1e999\n" * 3, "garbled", "holds '1e999'"),
            ("x y z\n1 2 3", "garbled", "row 1, value 1 holds 'x'"),
            ("1 2 3\n1 2\n1 2 3", "garbled", "row 2 holds 2"),
            ("<html>", "garbled", "web page"),
            ("\n \n", "no-mesh", "empty"),
            ("\x1c", "no-mesh", "empty"),
            ("nan nan nan\n" * 3, "no-mesh", "all 9"),
        ],
    )
    def test_text(self, text, outcome, words):
        with pytest.raises(PollError, match=words) as caught:
            read_answer(mapping(heights=None, answer="text"), text.encode())
        assert caught.value.outcome == outcome

    @pytest.mark.parametrize(
        ("points", "outcome", "words"),
        [
            ([[0, 0, 0.1], [0, 0, 0.2]], "implausible", "two heights stand at x 0, y 0"),
            ([[0, 0, 0.1], [0, "1", 0.2]], "garbled", "y of point 2 holds the text '1'"),
            ([[0, 0], [0, 1]], "no-mesh", "all 2"),
            ([[0, 0, True]], "garbled", "z of point 1 holds true"),
            ([7], "garbled", "x of point 1 holds nothing"),
            ([[i, i * i, 0] for i in range(60)], "implausible", "missing"),
            ([[i, i * i, 0] for i in range(3000)], "implausible", "heights"),
        ],
    )
    def test_points(self, points, outcome, words):
        way = mapping(heights="$", layout="points", point_x="$[0]", point_y="$[1]", point_z="$[2]")
        with pytest.raises(PollError, match=words) as caught:
            read_answer(way, json.dumps(points).encode())
        assert caught.value.outcome == outcome

    @pytest.mark.parametrize(
        ("count", "columns", "words"),
        [(9, 4, "9 heights do not fill 4 columns"), (9, "$.grid", "not a whole number"), (9, None, "its columns")],
    )
    def test_flat(self, count, columns, words):
        with pytest.raises(PollError, match=words) as caught:
            read_answer(mapping(layout="flat", columns=columns), body(grid=[0.1] * count))
        assert caught.value.outcome == "garbled"


def test_a_path_that_may_find_many_gives_the_one_list_that_it_finds() -> None:
    found = read_answer(
        mapping(x="$..across", y="$..along[*]"), body(bed={"across": [10, 110, 210], "along": [5, 6, 7]})
    )
    assert (found.mesh.x.tolist(), found.mesh.y.tolist()) == ([10, 110, 210], [5, 6, 7])
