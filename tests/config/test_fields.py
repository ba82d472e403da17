"""What a value of the configuration may be."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonpath import JSONPathEnvironment

from farmwatch.config import fields

STRICT = JSONPathEnvironment(strict=True)
PARTS = st.one_of(
    st.from_regex(r"\.[A-Za-z_][A-Za-z0-9_]{0,8}", fullmatch=True),
    st.integers(-(10**8), 10**8).map(lambda number: f"[{number}]"),
    st.from_regex(r"\['[A-Za-z0-9_ .:-]{0,8}'\]", fullmatch=True),
    st.sampled_from([".*", "[*]"]),
)


@settings(max_examples=100, deadline=None)
@given(st.lists(PARTS, max_size=6).map(lambda parts: "$" + "".join(parts)))
def test_what_is_taken_for_plain_the_library_takes_too(path):
    assert fields._PLAIN_JSONPATH.fullmatch(path)
    STRICT.compile(path)
    assert fields.json_path(path) == path


@settings(max_examples=100, deadline=None)
@given(st.from_regex(fields._PLAIN_JSONPATH, fullmatch=True))
def test_whatever_is_plain_is_right(path):
    STRICT.compile(path)


@pytest.mark.parametrize("path", ["$.", "$.1", "$[01]", "$[-0]", "$['a]", "$.a b", "$[", "$..", "$.a\n", "$[1.0]"])
def test_what_is_wrong_is_not_plain(path):
    assert not fields._PLAIN_JSONPATH.fullmatch(path)
    with pytest.raises(ValueError):
        fields.json_path(path)


@pytest.mark.parametrize("path", ["T0AB12CD3EF45GH6", "b5c1d0a2-77f0-4e1c", "AbCdEfGhIjKlMnOp", "9f86d081884c7d659a2f"])
def test_what_looks_like_a_key_is_named_and_not_written(path):
    with pytest.raises(ValueError, match="env: or file:"):
        fields.hook_address(f"https://tidegate.example/hooks/{path}", None)


@pytest.mark.parametrize(
    "path", ["", "/", "/hooks/maintenance-of-the-aisles", "/v2/tickets", "/MaintenanceTickets/new"]
)
def test_plain_words_are_a_path(path):
    assert fields.hook_address(f"https://tidegate.example{path}", None) == f"https://tidegate.example{path}"


@pytest.mark.parametrize("form", ["%d.%m.%Y %H:%M:%S", "%m/%d/%y %H:%M", "%Y%m%d%H%M%S", "%d-%m-%Y %H:%M %z"])
def test_a_format_that_tells_day_and_time_is_taken(form):
    assert fields.time_format(form) == form


@pytest.mark.parametrize("form", ["%d.%m.%Y", "%H:%M", "", "%d.%m.%Y %H", "%Q", "%", 7, "%Y-%m-%d %I:%M"])
def test_a_format_that_leaves_something_out_is_refused(form):
    with pytest.raises(ValueError, match=r"leaves out|no time can be read|not text"):
        fields.time_format(form)
