"""Text from hosts, files and names is plain on every screen."""

import contextlib
import os
import sys
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.cli import screen
from farmwatch.text import sanitize


@settings(max_examples=100, deadline=None)
@given(st.text())
def test_plain_text_is_printable_whatever_comes_in(text):
    assert all(letter.isprintable() or unicodedata.category(letter) == "Zs" for letter in sanitize(text))
    assert not set(sanitize(text)) & set("\x1b\x07\r\n\t\x7f\x9b\u200e\u202e\u2066\u2028\ud800")
    assert len(sanitize(text)) == len(text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("heron-01", "heron-01"),
        ("a\x1b[31mb\x07", "a�[31mb�"),
        ("one\ntwo\tthree", "one two three"),
        ("ab\u202ecd\u2066", "ab�cd�"),
        ("[bold]x[/bold] :smile: Röhre 潮", "[bold]x[/bold] :smile: Röhre 潮"),
    ],
)
def test_plain_by_hand(text, shown):
    assert sanitize(text) == shown


def test_nothing_in_a_text_is_obeyed(capsys):
    screen.echo("[bold red]x[/] :smile: 12.5")
    screen.paragraph("[link=http://x]y[/link]", indent=2)
    screen.table([("[b]head", False)], [["[blink]\x1b[2Jcell"]], strong=lambda row: False)

    out = capsys.readouterr().out
    assert "[bold red]x[/] :smile: 12.5" in out
    assert "  [link=http://x]y[/link]" in out
    assert "[blink]�[2Jcell" in out
    assert "\x1b" not in out


@pytest.mark.parametrize(("columns", "width"), [("20", 40), ("60", 60), ("200", 120)])
def test_the_width_is_the_terminals_within_reason(monkeypatch, columns, width):
    monkeypatch.setenv("COLUMNS", columns)

    assert screen.width() == width


def test_no_bar_in_a_pipe(capsys):
    with screen.progress("asking") as move:
        assert move is None
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("piped", ["stdout", "stderr"])
def test_no_bar_where_one_stream_is_a_pipe(monkeypatch, piped):
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(getattr(sys, name), "isatty", lambda name=name: name != piped, raising=False)
    with screen.progress("asking") as move:
        assert move is None


def test_a_bar_on_a_terminal_goes_to_standard_error(monkeypatch, capsys):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with screen.progress("asking [b]the hosts") as move:
        assert move is not None
        move(1, 2)

    out, err = capsys.readouterr()
    assert out == ""
    assert "asking [b]the hosts" in err


def test_a_fault_that_cannot_be_said_is_no_other_fault(monkeypatch):
    # Every write to it fails as on a full disk (full(4)).
    full = os.fdopen(os.open("/dev/full", os.O_WRONLY), "w")
    monkeypatch.setattr(sys, "stderr", full)
    screen.error("the configuration has a fault")
    with contextlib.suppress(OSError):
        full.close()
