"""A machine's page: the first word, the moves, the cautions before them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from farmwatch.config.settings import Machine
from farmwatch.history import OutOfService
from tests.farm import MODEL, NOW
from tests.hostile import MACHINE
from tests.pages.conftest import Pages


def first_word(text: str) -> str:
    (word,) = re.findall(r'class="order-word order-([a-z-]+)"', text)
    return str(word)


def test_one_to_be_worked_on_shows_its_moves_after_the_first_caution(ask):
    text = ask("/machines/heron-01").text

    assert first_word(text) == "work"
    assert text.index("Bed and nozzle cold.") < text.index("FRONT RIGHT, 1 tooth (clockwise from below)")
    assert "farmwatch only reads." in text
    assert 'class="history"' in text


def test_one_whose_work_is_done_shows_no_move(farm: Pages):
    number, at = farm.ticket("heron-01").number, NOW + timedelta(minutes=1)
    farm.book.act(number, "approve", at=at, by="lead")
    farm.book.act(number, "take", at=at, by="bench")
    farm.book.act(number, "done", at=at, by="bench", change=lambda one: replace(one, work_until=at))
    farm.now = at

    text = farm.client().get("/machines/heron-01").text

    assert first_word(text) == "do-not-turn"
    assert 'class="moves"' not in text
    assert "1 tooth (" not in text
    assert "Probe it hot" in text


@pytest.mark.long
def test_a_sound_one_is_fine_and_one_out_of_service_is_out(farm: Pages):
    assert first_word(farm.client().get("/machines/heron-02").text) == "fine"
    farm.store.take_out(OutOfService(machine="heron-02", since=NOW, reason="waits for a fan", until=None))
    farm.now = NOW + timedelta(minutes=1)

    text = farm.client().get("/machines/heron-02").text

    assert first_word(text) == "out"
    assert "waits for a fan" in text


def test_one_that_nobody_knows_is_not_here(ask):
    answer = ask("/machines/heron-1")

    assert answer.status_code == 404
    assert "did you mean &#34;heron-01&#34;?" in answer.text


@pytest.mark.long
@pytest.mark.parametrize("name", [MACHINE, "a/b", "..", "~1~0", "</title><script>alert(1)</script>", "%2e%2e/é"])
def test_any_name_has_an_address_and_is_harmless(farm: Pages, name: str):
    machines = (*farm.settings.machines, Machine(name=name, model=MODEL.name, aisle=name))
    farm.settings = farm.settings.model_copy(update={"machines": machines})
    with farm.app.test_request_context():
        address = farm.app.url_for("machine", name=name)

    answer = farm.client().get(address)

    assert (answer.status_code, first_word(answer.text)) == (200, "probe")
    assert "<script>alert" not in answer.text
    assert "<marquee>" not in answer.text
