"""What people enter at a machine: notes, out and back, a mesh that is wrong, the wish that its host be asked."""

from __future__ import annotations

from datetime import timedelta
from typing import get_args

import pytest

from farmwatch.config.settings import Machine
from farmwatch.history import NoteKind
from farmwatch.pages.machine_deeds import NOTE_KINDS
from farmwatch.store import PollRecord
from farmwatch.times import micros
from tests.farm import MODEL, NOW
from tests.pages.conftest import Pages, press

LAST = micros(NOW - timedelta(days=1))
FIRST = micros(NOW - timedelta(days=12))


def test_every_kind_of_note_has_its_words():
    assert set(NOTE_KINDS) == set(get_args(NoteKind))


@pytest.mark.long
def test_a_note_is_kept_with_who_and_stands_on_the_page(farm: Pages):
    page = "/machines/heron-01"

    assert press(farm.client(), page, f"{page}/notes", what="belt", text="new <b>belt</b>").status_code == 303
    assert press(farm.client(), page, f"{page}/notes", what="rain").status_code == 409

    (note,) = farm.store.notes(["heron-01"])
    assert (note.what, note.by, note.text) == ("belt", "bench", "new <b>belt</b>")
    assert "new &lt;b&gt;belt&lt;/b&gt; (bench)" in farm.client().get(page).text


@pytest.mark.long
def test_out_of_service_and_back(farm: Pages):
    page = "/machines/heron-02"
    press(farm.client(), page, f"{page}/out", why="waits for a fan", until="2026-12-01")
    farm.now += timedelta(minutes=1)
    assert "waits for a fan" in farm.client().get(page).text
    assert "out of service" in farm.client().get("/?show=all&aisle=heron").text

    press(farm.client(), page, f"{page}/back")

    farm.now += timedelta(minutes=1)
    assert farm.store.out_of_service(farm.now) == {}
    text = farm.client().get(page).text
    assert "Take it out of service" in text


@pytest.mark.long
def test_a_mesh_that_is_wrong_is_set_aside_with_its_reason_and_put_back_in(farm: Pages):
    browser, page = farm.client(), f"/machines/heron-01/meshes/{LAST}"
    before = farm.client().get("/machines/heron-01").text

    press(browser, page, f"{page}/set-aside", why="a clip lay on the plate")

    text = browser.get(page).text
    assert "a clip lay on the plate" in text
    assert "(bench" in text
    assert "set aside: a clip lay on the plate" in browser.get("/machines/heron-01/meshes").text
    assert "Fri 20 Nov 2026, 06:00" not in before
    assert "Sat 21 Nov 2026, 06:00" in browser.get("/machines/heron-01").text
    press(browser, page, f"{page}/put-back-in")
    assert "Sun 22 Nov 2026, 06:00" in browser.get("/machines/heron-01").text


@pytest.mark.long
def test_two_meshes_and_what_is_between_them(ask):
    text = ask(f"/machines/heron-01/meshes/difference?a={LAST}&b={FIRST}").text

    assert text.count("<figure>") == 3
    assert text.index("Wed 11 Nov 2026") < text.index("Sun 22 Nov 2026")
    assert ask("/machines/heron-01/meshes/difference?a=&b=x").status_code == 404
    assert ask(f"/machines/heron-01/meshes/difference?a={FIRST}&b=1").status_code == 404
    assert ask("/machines/heron-01/meshes/1").status_code == 404


def test_the_history_is_shown_as_of_a_day(ask):
    assert 'value="2026-11-15"' in ask("/machines/heron-01?to=2026-11-15").text
    assert ask("/machines/heron-01?to=never").status_code == 200


@pytest.fixture
def with_host(farm: Pages) -> Pages:
    machines = (
        Machine(name="avocet-01", model=MODEL.name, mapping="survey", address="http://127.0.0.1:9/x"),
        *farm.settings.machines,
    )
    from farmwatch.config import Mapping

    mapping = Mapping(name="survey", path="/v1", heights="$.g", x=(10.0, 210.0), y=(10.0, 210.0))
    farm.settings = farm.settings.model_copy(update={"machines": machines, "mappings": {"survey": mapping}})
    farm.store.add_round(
        [],
        [
            PollRecord(machine="avocet-01", at=NOW - timedelta(hours=2), outcome="same", reason="", seconds=0.1),
            PollRecord(
                machine="avocet-01", at=NOW - timedelta(hours=1), outcome="garbled", reason="<b>no</b>", seconds=0.1
            ),
        ],
    )
    return farm


def test_the_hosts_tell_what_is_wrong_what_mends_it_and_how_often_it_went_well(with_host: Pages):
    text = with_host.client().get("/hosts").text

    assert "1 host needs somebody; 0 are well. 4 machines without a host." in text
    assert "&lt;b&gt;no&lt;/b&gt;" in text
    assert "compare the answer with the mapping" in text
    assert "50 %" in text


@pytest.mark.long
def test_a_host_is_asked_now_by_the_service(with_host: Pages):
    browser = with_host.client()

    press(browser, "/hosts", "/machines/avocet-01/ask")

    assert with_host.asked == ["avocet-01"]
    assert "is being asked" in browser.get("/hosts").text
    assert press(browser, "/machines/avocet-01", "/machines/avocet-01/ask").status_code == 303
