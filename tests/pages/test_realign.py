"""Guided realignment on pages: against a host on loopback whose bed follows the moves."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from farmwatch.config.settings import Machine, Mapping, Person
from farmwatch.judge import CAUTIONS
from farmwatch.pages import benches
from farmwatch.store.records import Claim
from tests.collect.hosts import serving
from tests.farm import MODEL, NOW, bed
from tests.pages.conftest import Pages, press, sign_in

MAPPING = Mapping(name="rows", path="/mesh", heights="$.z", x=(10.0, 210.0), y=(10.0, 210.0), taken_at="$.at")
TICKS = {f"caution-{number}": "on" for number in range(len(CAUTIONS))}
PAGE = "/realign/heron-01"


class Floor:
    """heron-01 and its host: `turn` moves its screws, `probe` makes a mesh that the host gives from then on."""

    def __init__(self) -> None:
        self.lift = {"front-right": -0.4}
        self.probes = 0
        self.answer: dict[str, Any] = {}
        self.probe()

    def turn(self, screw: str, mm: float) -> None:
        self.lift[screw] = self.lift.get(screw, 0.0) + mm

    def probe(self) -> None:
        self.probes += 1
        at = NOW + timedelta(minutes=self.probes)
        z = bed(self.lift, noise_mm=0.002, seed=self.probes).z
        self.answer = {"z": z.round(4).tolist(), "at": at.isoformat()}

    def script(self, _: Any) -> Any:
        return json.dumps(self.answer).encode()


@pytest.fixture
def floor(make: Callable[..., Pages], monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Pages, Floor]]:
    monkeypatch.setattr(benches, "ASK_SECONDS", 0.05)
    floor = Floor()
    with serving({"/mesh": floor.script}) as host:
        farm = made(make, host.address)
        yield farm, floor
        farm.app.extensions["benches"].close()


def made(make: Callable[..., Pages], address: str, **more: Any) -> Pages:
    farm = make(**more)
    machine = Machine(name="heron-01", model=MODEL.name, aisle="heron", mapping="rows", address=address)
    others = farm.settings.machines[1:]
    farm.settings = farm.settings.model_copy(update={"machines": (machine, *others), "mappings": {"rows": MAPPING}})
    farm.now = NOW + timedelta(minutes=2)
    return farm


def begun(browser: FlaskClient, **more: Any) -> Any:
    return press(browser, PAGE, f"{PAGE}/begin", **TICKS, **more)


def shown(browser: FlaskClient, words: str) -> str:
    """The page, once these words stand on it."""
    for _ in range(200):
        text = re.sub(r"\s+", " ", browser.get(PAGE).text)
        if words in text:
            return text
        time.sleep(0.05)
    raise AssertionError(f"{words!r} never stood on the page: {text}")


def test_nothing_begins_before_every_caution_is_ticked(floor: tuple[Pages, Floor]):
    farm, _ = floor
    browser = farm.client()
    text = browser.get(PAGE).text
    assert text.count('type="checkbox"') == len(CAUTIONS)
    assert all(caution.split(";")[0] in text for caution in CAUTIONS)

    few = dict(list(TICKS.items())[1:])
    answer = press(browser, PAGE, f"{PAGE}/begin", **few)

    assert answer.status_code == 409
    assert "tick each of them first" in answer.text
    assert not farm.store.claims(farm.now)


def test_from_the_first_mesh_to_the_end_and_the_ticket_is_taken_by_the_mesh(floor: tuple[Pages, Floor]):
    farm, floor_ = floor
    browser = farm.client()
    farm.book.act(farm.ticket("heron-01").number, "approve", at=farm.now, by="lead")
    before = farm.ticket("heron-01").phase

    assert begun(browser).status_code == 303
    text = shown(browser, "FRONT RIGHT")

    assert before == "approved"
    assert farm.ticket("heron-01").phase == "in-work"
    assert "↑" in text
    assert "1 tooth" in text
    assert "clockwise, seen from below" in text
    assert "Leave the rear screw alone" in text
    assert "waiting for your mesh" in text

    floor_.turn("front-right", 0.4)
    floor_.probe()
    text = shown(browser, "Finished at")
    assert "As expected" in text
    assert re.search(r"front right rose 0\.4\d\d mm, 1 tooth", text)
    assert "Belt, power and nozzle are right: done" in text

    number = farm.ticket("heron-01").number
    done = press(browser, PAGE, f"/tickets/{number}/done")
    assert done.status_code == 303
    assert farm.ticket("heron-01").phase == "proving"
    assert farm.ticket("heron-01").method == "realign"
    for _ in range(100):
        if not farm.store.claims(farm.now):
            break
        time.sleep(0.05)
    assert not farm.store.claims(farm.now), "its check is up to the polls, which leave a claimed machine alone"


def test_a_reload_shows_the_same_and_an_event_tells_only_what_is_new(floor: tuple[Pages, Floor]):
    farm, _ = floor
    browser = farm.client()
    begun(browser)
    shown(browser, "FRONT RIGHT")
    first = browser.get(f"{PAGE}/events")
    (version,) = re.findall(r"^id: (\d+)$", first.text, re.MULTILINE)
    again = browser.get(f"{PAGE}/events", headers={"Last-Event-ID": version})

    assert first.content_type.startswith("text/event-stream")
    assert f'data-version="{version}"' in browser.get(PAGE).text
    assert "retry: 2000" in first.text
    assert "data:" not in again.text


def test_a_second_phone_sees_who_holds_it_and_takes_it_over(floor: tuple[Pages, Floor]):
    farm, _ = floor
    one, two = farm.client(), farm.client()
    begun(one)
    shown(one, "FRONT RIGHT")
    with two.session_transaction() as session:
        session["by"] = "gate"

    text = shown(two, "held by bench")
    assert "Leave for now" not in text
    stolen = two.post(f"{PAGE}/leave", data={**hidden(text), "by": "gate"})
    assert stolen.status_code == 409
    assert "bench holds it" in stolen.text

    assert two.post(f"{PAGE}/take-over", data={**hidden(two.get(PAGE).text), "by": "gate"}).status_code == 303
    assert "you hold it" in shown(two, "FRONT RIGHT")
    assert "held by gate" in shown(one, "FRONT RIGHT")
    assert begun_twice(farm) == 409


def hidden(text: str) -> dict[str, str]:
    (form, *_) = re.findall(r'<form method="post" action="/realign/.*?</form>', text, re.DOTALL)
    return dict(re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form))


def begun_twice(farm: Pages) -> int:
    """Beginning by a page that was opened before somebody else began."""
    late = farm.client()
    fields = hidden(late.get(PAGE).text)
    answer = late.post(f"{PAGE}/begin", data={**fields, **TICKS, "by": "late"})
    assert "is at heron-01 already" in answer.text
    return int(answer.status_code)


def test_it_goes_on_where_it_was_when_the_service_is_started_anew(floor: tuple[Pages, Floor]):
    farm, floor_ = floor
    browser = farm.client()
    begun(browser)
    shown(browser, "FRONT RIGHT")
    farm.app.extensions["benches"].close()
    farm.restart()
    farm.app.extensions["benches"].resume()
    browser = farm.client()
    with browser.session_transaction() as session:
        session["by"] = "bench"

    text = shown(browser, "Do what of it is not done yet, and nothing twice")
    assert "FRONT RIGHT" in text
    assert "you hold it" in text
    floor_.turn("front-right", 0.4)
    floor_.probe()
    shown(browser, "Finished at")


def test_left_in_the_middle_it_is_taken_up_by_a_press(floor: tuple[Pages, Floor]):
    farm, _ = floor
    browser = farm.client()
    begun(browser)
    shown(browser, "FRONT RIGHT")
    assert press(browser, PAGE, f"{PAGE}/leave").status_code == 303
    assert not farm.store.claims(farm.now)
    text = browser.get(PAGE).text
    assert "It was left in the middle" in text
    assert ">Go on</button>" in text
    begun(browser)
    shown(browser, "nothing twice")


def test_a_move_is_taken_back_by_the_same_teeth_the_other_way(floor: tuple[Pages, Floor]):
    farm, floor_ = floor
    browser = farm.client()
    begun(browser)
    shown(browser, "FRONT RIGHT")
    floor_.turn("front-right", 0.4)
    floor_.probe()
    shown(browser, "Undo: turn it back")

    press(browser, PAGE, f"{PAGE}/take-back")
    text = shown(browser, "↓")
    assert "FRONT RIGHT" in text
    assert "anticlockwise, seen from below" in text
    before = farm.store.moves(["heron-01"])[0].range_before_mm
    assert f"should read about {before:.2f} mm" in text
    floor_.turn("front-right", -0.4)
    floor_.probe()
    shown(browser, "front right fell")
    assert [move.moved_mm for move in farm.store.moves(["heron-01"])[:2]] == pytest.approx([0.4, -0.4], abs=0.01)


def test_whoever_turned_it_is_asked_where_a_move_went_the_other_way(floor: tuple[Pages, Floor]):
    farm, floor_ = floor
    browser = farm.client()
    begun(browser)
    shown(browser, "FRONT RIGHT")
    floor_.turn("front-right", -0.4)
    floor_.probe()
    text = shown(browser, "Did you turn it clockwise, seen from below?")
    assert "front right FELL" in text
    browser.post(f"{PAGE}/answer", data={**hidden(browser.get(PAGE).text), "by": "bench", "way": "no"})
    shown(browser, "It counts as turned the other way round, as you say.")


def test_a_claim_of_a_terminal_is_told_and_nothing_can_be_begun(floor: tuple[Pages, Floor]):
    farm, _ = floor
    farm.store.claim(Claim(machine="heron-01", session="x", by="avocet bench", since=farm.now, seen_at=farm.now))
    text = farm.client().get(PAGE).text
    assert "avocet bench is at it with a guided realignment on a terminal" in text
    assert "<form" not in text


def test_work_that_waits_for_its_check_is_reopened_only_by_a_tick(floor: tuple[Pages, Floor]):
    farm, _ = floor
    browser, number = farm.client(), farm.ticket("heron-01").number
    for act in ("approve", "take", "done"):
        farm.book.act(number, act, at=farm.now, by="lead")
    text = browser.get(PAGE).text
    assert "Work done; do not turn; probe it hot." in text
    refused = begun(browser)
    assert refused.status_code == 409
    assert farm.ticket("heron-01").phase == "proving"
    assert begun(browser, reopen="on").status_code == 303
    shown(browser, "FRONT RIGHT")
    assert farm.ticket("heron-01").phase == "in-work"


def test_a_host_that_does_not_answer_is_told_and_a_database_that_is_busy_is_waited_for(
    floor: tuple[Pages, Floor], monkeypatch: pytest.MonkeyPatch
):
    farm, floor_ = floor
    floor_.answer = {}
    browser = farm.client()
    begun(browser)
    text = shown(browser, "no-mesh")
    assert "Mesh it now, hot" in text
    floor_.probe()
    shown(browser, "FRONT RIGHT")


@pytest.fixture
def crowd(
    make: Callable[..., Pages], people: dict[str, Person], monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Pages, Floor]]:
    monkeypatch.setattr(benches, "ASK_SECONDS", 0.05)
    floor = Floor()
    with serving({"/mesh": floor.script}) as host:
        farm = made(make, host.address, people=people)
        yield farm, floor
        farm.app.extensions["benches"].close()


def test_a_viewer_looks_on_and_sees_no_button(crowd: tuple[Pages, Floor]):
    farm, _ = crowd
    bench, gate = farm.client(), farm.client()
    sign_in(bench, "bench")
    sign_in(gate, "gate")
    assert "A technician does this." in gate.get(PAGE).text
    begun(bench)
    text = shown(gate, "FRONT RIGHT")
    assert "held by bench" in text
    assert 'action="/realign' not in text
    assert gate.post(f"{PAGE}/leave", data=hidden(bench.get(PAGE).text)).status_code in (400, 403)
    assert farm.store.claims(farm.now)["heron-01"].by == "bench"


def test_so_many_at_once_and_no_more(floor: tuple[Pages, Floor], monkeypatch: pytest.MonkeyPatch):
    farm, _ = floor
    monkeypatch.setattr(benches, "MOST", 0)
    answer = begun(farm.client())
    assert answer.status_code == 409
    assert "go on already" in answer.text
