"""note, out, back: what people tell farmwatch."""

import os
from datetime import UTC, datetime, timedelta

import pytest

from farmwatch.cli.note import WHAT


def test_every_kind_of_note_is_offered():
    from typing import get_args

    from farmwatch.history import NoteKind

    assert tuple(WHAT) == get_args(NoteKind)


def test_a_note_is_stored_with_its_time_in_farm_time(farm):
    code, out, err = farm("note", "heron-01", "belt", "--at", "2026-07-01 08:15", "--by", "Mo", "--text", "new, tight")

    assert (code, err) == (0, "")
    assert out == "noted: heron-01, belt, Wed 1 Jul 2026, 08:15\n"
    (note,) = farm.store.notes(["heron-01"])
    assert (note.what, note.by, note.text) == ("belt", "Mo", "new, tight")
    assert note.at == datetime(2026, 7, 1, 7, 15, tzinfo=UTC)


def test_a_note_without_a_time_is_of_now(farm):
    farm("note", "heron-01", "NOZZLE")

    (note,) = farm.store.notes(["heron-01"])
    assert abs(note.at - datetime.now(UTC)) < timedelta(minutes=1)
    assert note.what == "nozzle"


def test_a_replaced_machine_forgets_the_identity_of_its_host(farm):
    farm.store.pin({"heron-01": "SN-7"}, datetime.now(UTC))

    _, out, _ = farm("note", "heron-01", "replaced")

    assert "identity of its host is forgotten" in out
    assert farm.store.identities() == {}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("note", "heron-01", "paint"), "'paint' is not one of 'belt'"),
        (("note", "heron-9", "belt"), 'did you mean "heron-01"?'),
        (("note", "heron-01", "belt", "--at", "2099-01-01 06:00"), "still to come"),
        (("note", "heron-01", "belt", "--at", "0001-01-01T00:00:00Z"), "wanted a year from 2000 to 2100"),
        (("note", "heron-01", "belt", "--at", "2026-10-25 01:30"), "came twice"),
        (("note", "heron-01", "belt", "--text", "a\nb"), "line break"),
        (("note", "heron-01", "belt", "--by", "\x1b[31m"), "control character"),
        (("note", "heron-01", "belt", "--text", "x" * 501), "501 characters"),
        (("out", "heron-01", "--reason", "  "), "--reason is empty"),
        (("out", "heron-01", "--reason", "x", "--until", "2020-01-01"), "is past"),
        (("out", "heron-01", "--reason", "x", "--until", "soon"), "is no time"),
        (("back", "heron-9"), 'did you mean "heron-01"?'),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_stored(farm, arguments, says):
    code, out, err = farm(*arguments)

    assert (code, out) == (2, "")
    assert says in err
    assert farm.store.notes() == []
    assert farm.store.out_of_service(datetime.now(UTC)) == {}


def test_out_and_back(farm):
    day = (datetime.now(UTC) + timedelta(days=40)).date()
    _, out, _ = farm("out", "heron-01", "--reason", "new belt", "--until", day.isoformat())
    assert f"{day.day} " in out
    assert "00:00" in out
    found = farm.store.out_of_service(datetime.now(UTC))["heron-01"]
    assert found.reason == "new belt"
    assert found.until is not None

    assert "back in service: heron-01" in farm("back", "heron-01")[1]
    assert farm.store.out_of_service(datetime.now(UTC) + timedelta(seconds=1)) == {}
    code, out, _ = farm("back", "heron-01")
    assert (code, out) == (0, "heron-01 was in service already\n")


def test_out_without_an_end_says_how_to_bring_it_back(farm):
    _, out, _ = farm("out", "heron-01", "--reason", "new belt")

    assert "until you bring it back (farmwatch back heron-01)" in out


def test_under_another_user_than_the_services_the_right_line_is_printed(farm, monkeypatch):
    database = farm.config.with_name("farmwatch.duckdb")
    monkeypatch.setattr("farmwatch.store.files.os.geteuid", lambda: 64_002)
    monkeypatch.setattr("farmwatch.store.files.user_name", lambda number: "farmwatch" if number != 64_002 else "ann")
    real = type(database).stat
    monkeypatch.setattr(
        type(database), "stat",
        lambda path, **more: os.stat_result((*real(path, **more)[:4], 64_001, *real(path, **more)[5:10])),
    )  # fmt: skip
    line = ["/opt/farmwatch/bin/farmwatch", "note", "heron-01", "belt", "--text", "new, tight"]
    monkeypatch.setattr("sys.argv", line)

    code, out, err = farm(*line[1:])

    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "belongs to farmwatch, who could not write what ann would leave there" in err
    assert err.endswith(
        "; run: sudo -u farmwatch /opt/farmwatch/bin/farmwatch note heron-01 belt --text 'new, tight'\n"
    )
    assert farm.store.notes() == []
