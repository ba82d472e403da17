"""The mapping proposal: right heights first, a block that reads back, bounded work, honest about what it guesses."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import numpy as np
import pytest

from farmwatch.collect import PollError
from farmwatch.collect.mapping import read_answer
from farmwatch.collect.proposal import Proposal, propose, toml_block
from farmwatch.collect.proposal.inventory import json_path, take_inventory, words
from farmwatch.config import Mapping
from tests.collect.corpus import Case, cases, hit, hit_axes

ROWS = [[0.11, 0.21, 0.33], [0.02, 0.12, 0.22], [-0.15, -0.08, 0.12], [-0.21, -0.12, 0.02]]


def first(answer: Any) -> Proposal:
    return propose(answer if isinstance(answer, bytes) else json.dumps(answer).encode())[0]


@pytest.fixture(scope="module")
def found() -> list[tuple[Case, list[Proposal]]]:
    return [(case, propose(case.body)) for case in cases(200)]


class TestCorpus:
    def test_the_right_heights_come_first_in_19_of_20(self, found):
        wrong = [case.name for case, proposals in found if not (proposals and hit(case, proposals[0]))]
        assert len(found) == 200
        assert len(wrong) <= 10, wrong

    @pytest.mark.parametrize("spans", ["lists", "ends", "flat-ends", "corners", "box"])
    def test_coordinates_that_are_there_are_found(self, spans, found):
        these = [(case, proposals[0]) for case, proposals in found if case.spans == spans and hit(case, proposals[0])]
        assert len(these) > 10
        assert sum(hit_axes(case, proposal) for case, proposal in these) >= 0.9 * len(these)

    def test_heights_in_mm_are_the_bed_where_the_unit_is_mm(self, found):
        for case, proposals in found:
            mesh = proposals[0].found.mesh
            if "-mm-" in case.name and hit(case, proposals[0]) and mesh.z.shape == case.z.shape:
                here = np.isfinite(mesh.z)
                np.testing.assert_allclose(mesh.z[here], case.z[here], atol=1e-4)

    def test_every_block_reads_back_as_the_proposal(self, found):
        for case, proposals in found:
            for proposal in proposals[:3]:
                block = tomllib.loads(toml_block(proposal, "an odd name", "/v1/{machine}"))["mappings"]["an odd name"]
                for key in ("x", "y"):
                    if isinstance(block.get(key), list):
                        block[key] = tuple(block[key])
                if proposal.made_up:
                    with pytest.raises(ValueError, match="not filled in yet"):
                        Mapping(name="again", **block)
                axis = {"x": proposal.found.mesh.x, "y": proposal.found.mesh.y}
                block |= {key: tuple(axis[key][[0, -1]].tolist()) for key in proposal.made_up}
                assert read_answer(Mapping(name="again", **block), case.body).mesh.same_as(proposal.found.mesh)


class TestWhatIsFound:
    def test_company(self):
        answer = {
            "serial": "T-104",
            "survey": {
                "grid": ROWS, "x": [10, 110, 210], "y": [5, 75, 145, 215], "finished": "2026-11-20T04:12:09Z",
                "bed": {"actual": 60.2, "target": 60}, "plate": "A",
            },
            "server": {"now": "2026-11-20T05:00:00Z"},
        }  # fmt: skip
        assert first(answer).fields == {
            "heights": "$.survey.grid", "layout": "rows", "x": "$.survey.x", "y": "$.survey.y",
            "taken_at": "$.survey.finished", "bed_celsius": "$.survey.bed.actual", "plate": "$.survey.plate",
            "identity": "$.serial",
        }  # fmt: skip
        assert first(answer).found.mesh.y.tolist() == [5, 75, 145, 215]

    def test_rows_along_y_by_their_coordinates(self):
        columns = np.array(ROWS).T.tolist()
        proposal = first({"mesh": columns, "x": [10, 110, 210], "y": [5, 75, 145, 215]})
        assert proposal.fields["order"] == "along-y"
        assert proposal.found.mesh.z.tolist() == ROWS

    def test_falling_coordinates_say_the_corner(self):
        proposal = first({"mesh": ROWS[::-1], "x": [10, 110, 210], "y": [215, 145, 75, 5]})
        assert proposal.fields["first"] == "rear-left"
        assert proposal.found.mesh.z.tolist() == ROWS

    def test_serpentine_by_its_smoothness(self):
        u, v = np.meshgrid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
        bed = (0.3 * u - 0.1 * v).round(4)
        listed = bed.copy()
        listed[1::2] = listed[1::2, ::-1]
        proposal = first({"mesh": {"z": listed.tolist()}})
        assert proposal.fields["serpentine"] is True
        assert np.array_equal(proposal.found.mesh.z, bed)

    @pytest.mark.parametrize("said", ["um", "µm", "micrometre"])
    def test_a_unit_that_is_said(self, said):
        proposal = first({"mesh": {"z": [[v * 1000 for v in row] for row in ROWS], "unit": said}})
        assert proposal.fields["unit"] == "um"
        assert not any(text.startswith("unit") for text in proposal.unsure)

    def test_ranked_with_reasons(self):
        proposals = propose(json.dumps({"now": {"mesh": ROWS}, "previous": {"mesh": ROWS[::-1]}}).encode())
        assert [p.fields["heights"] for p in proposals] == ["$.now.mesh", "$.previous.mesh"]
        assert proposals[0].score > proposals[1].score
        assert any("mesh" in reason for reason in proposals[0].reasons)

    @pytest.mark.parametrize(
        "span",
        [
            {"left": 15, "right": 215, "near": 15, "far": 205},
            {"left": 15, "right": 215, "front": 15, "back": 205},
            {"west": 15, "east": 215, "south": 15, "north": 205},
            {"left_edge": 15, "right_edge": 215, "bottom_edge": 15, "top_edge": 205},
            {"across": {"from": 15, "to": 215}, "along": {"start": 15, "end": 205}},
            {"xNear": 15, "xFar": 215, "yNear": 15, "yFar": 205},
            {"across": [15, 215], "along": [15, 205]},
        ],
    )
    def test_ends_of_spans_by_their_many_names(self, span):
        proposal = first({"scan": {"lines": ROWS, "span": span}, "warm": {"bed_now": 61}})
        mesh = proposal.found.mesh
        assert not proposal.made_up
        assert (mesh.x[[0, -1]].tolist(), mesh.y[[0, -1]].tolist()) == ([15, 215], [15, 205])

    def test_top_and_bottom_of_a_height_are_no_ends_of_the_bed(self):
        assert first({"lines": ROWS, "z": {"bottom": 0, "top": 250}}).made_up == ("x", "y")

    @pytest.mark.parametrize("bed", [{}, {"bed": {"width": 220, "depth": 220}}])
    def test_coordinates_that_are_not_there_are_not_invented(self, bed):
        proposal = first({"mesh": ROWS, **bed})
        block = tomllib.loads(toml_block(proposal))["mappings"]["survey"]
        assert (block["x"], block["y"]) == ("FILL IN: [left, right] in mm", "FILL IN: [front, rear] in mm")
        # What the block is looked at with still draws a bed.
        assert proposal.found.mesh.z.tolist() == ROWS

    def test_what_can_be_otherwise_is_written_with_what_else_it_can_be(self):
        lines = toml_block(first({"mesh": ROWS, "bed": {"celsius": 60}})).splitlines()
        assert lines[lines.index('first = "front-left"') + 1] == '# or "front-right", "rear-left", "rear-right"'
        for line in (
            'order = "along-x"  # or "along-y"',
            'unit = "mm"  # or "um", "inch"',
            'sign = "bed-up"  # or "bed-down"',
        ):
            assert line in lines
        assert any(line.startswith("temperature_is = ") for line in lines)
        in_points = [{"x": 10 * c, "y": 10 * r, "z": h} for r, row in enumerate(ROWS) for c, h in enumerate(row)]
        block = toml_block(first({"mesh": in_points}))
        assert "sign = " in block
        assert "first = " not in block

    def test_what_is_not_known_is_said(self):
        unsure = " ".join(first({"mesh": ROWS}).unsure)
        for key in ("x:", "y:", "first:", "sign:", "unit:", "taken_at:"):
            assert key in unsure
        block = toml_block(first({"mesh": ROWS}), headers=["X-Shop-Key"])
        assert "# x: not recognised" in block
        assert 'headers = { "X-Shop-Key" = "env:X_SHOP_KEY" }' in block


class TestOddAnswers:
    @pytest.mark.parametrize("answer", [b"[]", b"{}", b"7", b'{"a": [[1, 1, 1], [1, 1, 1], [1, 1, 1]]}', b"1 2\n3 4"])
    def test_nothing_there(self, answer):
        assert all(not np.ptp(p.found.mesh.z) or p.score < 0 for p in propose(answer))

    @pytest.mark.parametrize(
        ("answer", "outcome"),
        [(b"", "no-mesh"), (b"<html>", "garbled"), (b"[NaN]", "garbled"), (b"1 2 3\n1 2\n", "garbled")],
    )
    def test_no_answer_at_all(self, answer, outcome):
        with pytest.raises(PollError) as caught:
            propose(answer)
        assert caught.value.outcome == outcome

    def test_names_that_need_care(self):
        odd = {"it's": {'a "b" \\ c': {"ünï\n": ROWS, "*": ROWS}}}
        for proposal in propose(json.dumps(odd).encode()):
            block = tomllib.loads(toml_block(proposal))["mappings"]["survey"]
            assert block["heights"] == proposal.fields["heights"]

    def test_work_is_bounded(self):
        """Wide, deep and long answers: the walk ends at its limit, and says so."""
        wide = {f"k{i}": {f"j{j}": [j, i] for j in range(60)} for i in range(1000)}
        assert not take_inventory(wide).whole
        assert take_inventory({"a": [[1, 2]] * 100_000}).whole
        deep: Any = ROWS
        for _ in range(500):
            deep = {"a": deep}
        assert not take_inventory(deep).whole
        assert propose(json.dumps(deep).encode()) == []
        assert propose(json.dumps({"mesh": [[0.5] * 1000] * 500}).encode()) == []
        assert isinstance(propose(json.dumps({"a": [{"mesh": ROWS}] * 3000}).encode()), list)


def test_paths_and_words():
    assert json_path(("a", 0, "b c", "it's", "\n")) == "$.a[0]['b c']['it\\'s']['\\n']"
    assert words("plateLevel_2Z") == ("plate", "level", "2", "z")


@pytest.mark.parametrize(
    ("places", "wanted"),
    [
        (lambda x, y, h: {"p": [x, y], "h": h}, ("$.p[0]", "$.p[1]", "$.h")),
        (lambda x, y, h: {"at": {"x": x, "y": y}, "dz": h}, ("$.at.x", "$.at.y", "$.dz")),
        (lambda x, y, h: {"pos": [x, y, h]}, ("$.pos[0]", "$.pos[1]", "$.pos[2]")),
    ],
)
def test_points_as_pairs_or_nested_are_found_with_x_before_y(places, wanted):
    x, y = np.linspace(15, 205, 5), np.linspace(10, 200, 4)
    points = [places(float(a), float(b), round(0.002 * a - 0.001 * b, 4)) for b in y for a in x]
    found = first({"probes": points})
    assert tuple(found.fields[f"point_{name}"] for name in "xyz") == wanted
    assert found.found.mesh.x.tolist() == x.tolist()
    assert not any("other way round" in doubt for doubt in found.unsure)


@pytest.mark.parametrize(
    ("spans", "wanted"),
    [
        ({"x": [15, 205], "y": [10, 200]}, ("$.area.x", "$.area.y")),
        (
            {"x": {"lo": 15, "hi": 205}, "y": {"lo": 10, "hi": 200}},
            (("$.area.x.lo", "$.area.x.hi"), ("$.area.y.lo", "$.area.y.hi")),
        ),
    ],
)
def test_coordinates_as_spans_are_found(spans, wanted):
    found = first({"grid": ROWS, "area": spans})
    assert (found.fields["x"], found.fields["y"]) == wanted
    assert found.found.mesh.x[[0, -1]].tolist() == [15, 205]
    assert found.made_up == ()


@pytest.mark.parametrize(
    ("written", "form"),
    [
        ("23.11.2026 05:58:11", "%d.%m.%Y %H:%M:%S"),
        ("11/23/2026 05:58", "%m/%d/%Y %H:%M"),
        ("03-11-2026, 5:58", "%d-%m-%Y, %H:%M"),
        ("2026-11-23T05:58:11", None),
        (1_795_413_491_000, None),
    ],
)
def test_a_time_in_another_order_gets_its_format(written, form):
    found = first({"grid": ROWS, "finished": written})
    assert found.fields["taken_at"] == "$.finished"
    assert found.fields.get("taken_at_format") == form
    assert any(doubt.startswith("taken_at_format") for doubt in found.unsure) == (form is not None)
