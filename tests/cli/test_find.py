"""find and add, against hosts on loopback: what a network shows, and what may enter the configuration."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import orjson
import pytest

from farmwatch.config import load_settings

from .conftest import Farm

GRID = [[0.01, 0.02, 0.0], [0.0, 0.03, 0.01], [0.02, 0.01, 0.0]]
GOOD = {"survey": {"grid": GRID}, "serial": "TF-0411"}


class Host:
    """Answers at one address of loopback by path; keeps what it was asked, and with which headers."""

    def __init__(self, ip: str, port: int, answers: dict[str, tuple[int, Any]]) -> None:
        self.asked: list[tuple[str, str, str | None]] = []
        host = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                host.asked.append((self.command, self.path, self.headers.get("X-Shop-Key")))
                status, body = answers.get(self.path, (404, {}))
                payload = orjson.dumps(body)
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", body)
                self.send_header("Content-Length", str(len(payload)))
                self.end_headers()
                self.wfile.write(payload)

            do_POST = do_PUT = do_DELETE = do_GET

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer((ip, port), Handler)
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@contextmanager
def hosts(**answers: dict[str, tuple[int, Any]]) -> Iterator[dict[str, Host]]:
    """Hosts at 127.0.0.1 and on, one for each keyword, at one port."""
    made: dict[str, Host] = {}
    try:
        port = 0
        for number, (name, given) in enumerate(answers.items(), 1):
            made[name] = Host(f"127.0.0.{number}", port, given)
            port = made[name].port
        yield made
    finally:
        for host in made.values():
            host.close()


def survey(body: Any = GOOD, status: int = 200) -> dict[str, tuple[int, Any]]:
    return {"/v1/survey/latest": (status, body)}


def test_a_network_shows_what_fits_what_is_like_a_mesh_and_who_wants_a_key(farm: Farm):
    other = {"levels": {"grid": [[0.01 * (r - c) for c in range(5)] for r in range(5)]}}
    with hosts(fits=survey(), unlike=survey(other), shut=survey({}, 401), empty={}) as made:
        port = made["fits"].port
        before = farm.config.read_bytes()
        code, out, err = farm("find", "127.0.0.0/29", "--port", str(port))

        assert (code, err) == (0, "")
        assert out.startswith("Asking 6 addresses by 1 mapping, GET only.")
        lines = out.splitlines()
        (row,) = [line for line in lines if line.startswith(f"http://127.0.0.1:{port} ")]
        assert row.split()[1:] == ["3", "x", "3", "0.030", "survey-rows"]
        assert any(f"http://127.0.0.2:{port}" in line and "none fits" in line for line in lines)
        assert f"farmwatch mapping http://127.0.0.2:{port}/v1/survey/latest" in out.replace("\n", " ")
        assert "4 addresses answered, 2 with a mesh; 1 of the other 2 want a key." in out
        assert lines[-1] == f"host-127-0-0-1-{port},,tideframe-220,survey-rows,http://127.0.0.1:{port}"
        assert {method for host in made.values() for method, _, _ in host.asked} == {"GET"}
        assert f"want a key: http://127.0.0.3:{port}" in out
        assert f"show no mesh: http://127.0.0.4:{port}" in out
        code, out, err = farm("find", "127.0.0.0/29", "--port", str(port), "--csv")
        assert (code, out, err) == (0, f"{lines[-1]}\n", "")
        assert farm.config.read_bytes() == before
        assert farm.store.last_answers() == {}


def test_no_address_is_asked_that_was_not_named(farm: Farm):
    with hosts(points_on={}, beside=survey()) as made:
        port = made["beside"].port
        made["points_on"].close()
        made["points_on"] = Host("127.0.0.1", port, survey(f"http://127.0.0.2:{port}/v1/survey/latest", 302))
        code, out, _ = farm("find", "127.0.0.1/32", "--port", str(port))
        assert code == 0
        assert "1 address answered, 0 with a mesh" in out
        assert made["beside"].asked == []


@pytest.mark.parametrize("words", [("10.0.0.0/19",), ("10.0.0.0/20", "--port", "80", "--port", "81"), ("fd00::/64",)])
def test_more_than_a_20_is_refused_before_anything_is_asked(farm: Farm, words):
    code, out, err = farm("find", *words)
    assert (code, out) == (2, "")
    assert "at most 4,096" in err


def test_what_is_no_network_or_no_mapping_is_said(farm: Farm):
    assert "is no network" in farm("find", "the aisle")[2]
    assert "no mapping is called 'survey'" in farm("find", "127.0.0.1/32", "--mapping", "survey")[2]


def test_keys_go_only_where_their_mapping_is_named(farm: Farm, spoil, monkeypatch):
    monkeypatch.setenv("SHOP_KEY", "s3cret-word")
    spoil("y = [10, 210]\n", 'y = [10, 210]\nheaders = { "X-Shop-Key" = "env:SHOP_KEY" }\n')
    spoil(
        "[[machines]]", '[mappings.open-rows]\npath = "/open"\nheights = "$.z"\nx = [0, 9]\ny = [0, 9]\n\n[[machines]]'
    )
    with hosts(keyed={**survey(), "/open": (404, {})}) as made:
        port = str(made["keyed"].port)
        _, out, _ = farm("find", "127.0.0.1", "--port", port)
        assert "Not asked by survey-rows" in out
        assert {key for _, _, key in made["keyed"].asked} == {None}
        assert {path for _, path, _ in made["keyed"].asked} == {"/open"}
        _, out, _ = farm("find", "127.0.0.1", "--port", port, "--mapping", "survey-rows")
        assert "1 address answered, 1 with a mesh." in out
        assert ("GET", "/v1/survey/latest", "s3cret-word") in made["keyed"].asked


def test_a_machine_known_already_is_named_and_not_proposed_again(farm: Farm):
    with hosts(known=survey()) as made:
        address = f"http://127.0.0.1:{made['known'].port}"
        assert farm("add", "heron-07", address)[0] == 0
        out = farm("find", "127.0.0.1", "--port", str(made["known"].port))[1]
        assert f"{address} (heron-07)" in out
        assert "machines.csv" not in out


def test_add_asks_the_host_and_appends_to_the_configuration(farm: Farm):
    with hosts(fits=survey()) as made:
        address = f"http://127.0.0.1:{made['fits'].port}"
        before = farm.config.read_text()
        code, out, err = farm("add", "heron-07", address, "--aisle", "heron")
        assert (code, err) == (0, "")
        assert "survey-rows reads 3 x 3 heights, range 0.030 mm" in out
        machine = load_settings(farm.config).machine("heron-07")
        assert (machine.aisle, machine.model, machine.mapping) == ("heron", "tideframe-220", "survey-rows")
        assert machine.address == address
        assert farm.config.read_text().startswith(before), "what stood there stays as it was written"
        assert "there is a machine 'heron-07' already" in farm("add", "heron-07", address)[2]


def in_a_file(farm: Farm, text: str) -> Path:
    whole = farm.config.read_text()
    farm.config.write_text('machines_file = "machines.csv"\n' + whole[: whole.index("[[machines]]")])
    path = farm.config.with_name("machines.csv")
    path.write_text(text)
    return path


@pytest.mark.parametrize("mark", [",", ";"])
def test_add_appends_a_line_in_the_columns_of_the_machines_file(farm: Farm, mark):
    text = "# the farm\nname,model,address,shelf,mapping\nheron-01,tideframe-220,,top,".replace(",", mark)
    path = in_a_file(farm, text)
    with hosts(fits=survey()) as made:
        address = f"http://127.0.0.1:{made['fits'].port}"
        assert farm("add", "plover-09", address)[0] == 0
        assert path.read_text() == text + f"\nplover-09,tideframe-220,{address},,survey-rows\n".replace(",", mark)
        assert [machine.name for machine in load_settings(farm.config).machines] == ["heron-01", "plover-09"]
        code, _, err = farm("add", "plover-10", address, "--aisle", "plover")
        assert (code, "has no column aisle" in err) == (2, True)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (survey({"survey": {}}), "no-mesh"),
        (survey({}, 401), "refused"),
        (survey({"survey": {"grid": "none"}}), "garbled"),
    ],
)
def test_a_host_that_shows_no_mesh_is_not_added(farm: Farm, answer, said):
    with hosts(odd=answer) as made:
        before = farm.config.read_bytes()
        code, out, err = farm("add", "heron-07", f"http://127.0.0.1:{made['odd'].port}")
        assert (code, out) == (2, "")
        assert f"heron-07 is not added: survey-rows: {said}" in err
        assert farm.config.read_bytes() == before


def test_a_mesh_that_does_not_fit_the_model_is_not_added(farm: Farm, spoil):
    spoil("x = [10, 210]", "x = [1010, 1210]")
    before = farm.config.read_bytes()
    with hosts(far=survey()) as made:
        code, _, err = farm("add", "heron-07", f"http://127.0.0.1:{made['far'].port}")
    assert code == 2
    assert "the coordinates do not fit the machine" in err
    assert farm.config.read_bytes() == before


def test_a_machine_without_answer_is_added_only_when_told(farm: Farm):
    address = "http://127.0.0.9:9"
    assert farm("add", "heron-07", address)[0] == 2
    assert "--unasked wants --mapping" in farm("add", "heron-07", address, "--unasked")[2]
    assert farm("add", "heron-07", address, "--unasked", "--mapping", "survey-rows")[0] == 0
    assert load_settings(farm.config).machine("heron-07").address == address


@pytest.mark.parametrize("words", [("heron\x0707", "http://127.0.0.9"), ("heron-07", "http://u:pw@127.0.0.9")])
def test_a_faulty_machine_leaves_the_configuration_as_it_was(farm: Farm, words):
    before = farm.config.read_bytes()
    for more in ((), ("--unasked", "--mapping", "survey-rows")):
        code, _, err = farm("add", *words, *more)
        assert code == 2
        assert "pw" not in err
        assert farm.config.read_bytes() == before


def test_machines_behind_one_address_are_asked_for_by_name(farm: Farm, spoil):
    spoil('path = "/v1/survey/latest"', 'path = "/v1/{machine}/latest"')
    with hosts(all_in_one={"/v1/heron-07/latest": (200, GOOD), "/v1/heron-08/latest": (200, GOOD)}) as made:
        port = str(made["all_in_one"].port)
        address = f"http://127.0.0.1:{port}"
        code, _, err = farm("find", "127.0.0.1", "--port", port, "--mapping", "survey-rows")
        assert code == 2
        assert "say which to ask for with --named NAME" in err
        named = ("--named", "heron-07", "--named", "heron-08", "--named", "heron-09")
        code, out, _ = farm("find", "127.0.0.1", "--port", port, *named)
        assert code == 0
        assert out.splitlines()[-2:] == [
            f"heron-07,,tideframe-220,survey-rows,{address}",
            f"heron-08,,tideframe-220,survey-rows,{address}",
        ]
        assert farm("add", "heron-07", address)[0] == 0
        out = farm("find", "127.0.0.1", "--port", port, *named)[1]
        assert f"{address} (heron-07, known)" in out
        assert "\nheron-07," not in out
    assert "and 3 machines makes" in farm("find", "10.0.0.0/21", *named)[2]
