"""JSONPaths: the short way and the library's give the same, and neither hangs or guesses."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonpath import JSONPathEnvironment

from farmwatch.collect import PollError
from farmwatch.collect.lookup import MISSING, Lookup
from farmwatch.collect.proposal.inventory import json_path

names = st.one_of(
    st.sampled_from(["a", "b", "x y", "it's", '"', "\\", "ü", "\n", ""]),
    st.text(st.characters(exclude_categories=["C"]), max_size=3),
)
steps = st.one_of(names, st.integers(-3, 3))
documents = st.recursive(
    st.one_of(st.none(), st.integers(), st.text(max_size=2)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(names, inner, max_size=3)),
    max_leaves=12,
)


@settings(max_examples=100, deadline=None)
@given(documents, st.lists(steps, max_size=4))
def test_the_short_way_is_rfc_9535(document, path):
    """RFC 9535 (2024), 2.3.1 and 2.3.3: a name of an object, an index of a list, from the end if negative."""
    text = json_path(tuple(path))
    expected = [match.obj for match in JSONPathEnvironment(strict=True).finditer(text, document)]
    lookup = Lookup(text)
    assert lookup.singular
    assert lookup.all(document) == expected
    assert lookup.one(document) is MISSING or [lookup.one(document)] == expected


class TestManyPlaces:
    def test_one_of_several_is_not_chosen(self):
        with pytest.raises(PollError, match="finds several values and must name one") as caught:
            Lookup("$..bed").one({"bed": 1, "more": {"bed": 2}})
        assert caught.value.outcome == "garbled"

    def test_one_or_none(self):
        assert Lookup("$..bed").one({"more": {"bed": 2}}) == 2
        assert Lookup("$..bed").one({}) is MISSING

    def test_how_many_are_looked_at_is_bounded(self):
        assert len(Lookup("$[*]").all(list(range(200_000)))) == 50_000

    @pytest.mark.parametrize("document", ["", "abc", '{"bed": 1}', "[1]", 7, None])
    def test_nothing_stands_within_a_text(self, document):
        assert Lookup("$..bed").all(document) == []
        assert Lookup("$[*]").all(document) == []

    def test_too_deep_to_follow(self):
        document: object = 1
        for _ in range(900):
            document = [document]
        with pytest.raises(PollError, match="nested too deeply"):
            Lookup("$..bed").all(document)


def test_what_is_no_path():
    with pytest.raises(ValueError, match="no JSONPath"):
        Lookup("$.[")
