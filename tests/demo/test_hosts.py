"""The simulated hosts over real HTTP on loopback."""

import resource
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import requests

from farmwatch.demo.answers import HOST_KEY, HOST_KEY_HEADER
from farmwatch.demo.beds import bed_series
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.hosts import SimulatedHosts
from farmwatch.errors import FarmwatchError

END = datetime(2026, 11, 23, 6, tzinfo=UTC)
FARM = farm_truth(12)
BEDS = {machine.name: bed_series(machine, END, 4, 1) for machine in FARM}


@pytest.fixture
def hosts() -> Iterator[SimulatedHosts]:
    with SimulatedHosts(FARM, BEDS, END - timedelta(days=20), END) as running:
        yield running


def _get(address: str, path: str, **headers: str) -> requests.Response:
    with requests.Session() as session:
        session.trust_env = False
        return session.get(address + path, headers=headers, timeout=5)


def test_a_host_gives_the_newest_mesh_of_the_moved_clock(hosts: SimulatedHosts) -> None:
    series = BEDS["heron-01"]
    for days in (20, 10, 0):
        now = END - timedelta(days=days)
        hosts.move_clock(now)
        said = _get(hosts.addresses["heron-01"], "/v1/survey/latest").json()["survey"]
        newest = series.newest(now.timestamp())
        assert newest is not None
        assert said["grid"] == series.z[newest].tolist()
        assert datetime.fromisoformat(said["finished"]).timestamp() == series.taken_at[newest] <= now.timestamp()


def test_the_same_moment_gives_the_same_bytes(hosts: SimulatedHosts) -> None:
    first, again = (_get(hosts.addresses["heron-02"], "/v1/survey/latest").content for _ in range(2))
    assert first == again


def test_a_host_with_a_key_refuses_without_it(hosts: SimulatedHosts) -> None:
    address = hosts.addresses["plover-01"]
    assert _get(address, "/gauge/plover-01").status_code == 401
    assert _get(address, "/gauge/plover-01", **{HOST_KEY_HEADER: HOST_KEY}).status_code == 200


def test_hosts_answer_get_alone_and_only_where_something_stands(hosts: SimulatedHosts) -> None:
    address = hosts.addresses["heron-01"]
    assert _get(address, "/elsewhere").status_code == 404
    with requests.Session() as session:
        session.trust_env = False
        assert session.post(address + "/v1/survey/latest", timeout=5).status_code == 405


def test_a_silent_host_refuses_the_connection_and_comes_back_when_the_clock_does(hosts: SimulatedHosts) -> None:
    address = hosts.addresses["avocet-02"]
    assert _get(address, "/bed.txt").status_code == 200
    hosts.move_clock(END)
    with pytest.raises(requests.ConnectionError):
        _get(address, "/bed.txt")
    hosts.move_clock(END - timedelta(days=20))
    assert _get(address, "/bed.txt").status_code == 200


def test_a_rubbish_host_answers_200_with_no_mesh(hosts: SimulatedHosts) -> None:
    address = hosts.addresses["avocet-03"]
    assert len(_get(address, "/levels.json").json()["levels"]["by_column"]) == 9
    hosts.move_clock(END)
    answer = _get(address, "/levels.json")
    assert answer.status_code == 200
    with pytest.raises(ValueError):
        answer.json()


def test_two_hosts_answer_with_one_mesh(hosts: SimulatedHosts) -> None:
    one, other = (_get(hosts.addresses[name], "/v1/survey/latest").content for name in ("heron-04", "plover-04"))
    assert one == other


def test_a_request_in_pieces_and_two_at_once_are_answered(hosts: SimulatedHosts) -> None:
    port = int(hosts.addresses["heron-01"].rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=5) as raw:
        for piece in (b"GET /v1/sur", b"vey/latest HTTP/1.1\r\nHost: x\r\n", b"\r\nGET /none HTTP/1.1\r\n\r\n"):
            raw.sendall(piece)
        got = b""
        while b"Nothing stands here" not in got:
            got += raw.recv(65536)
    assert got.startswith(b"HTTP/1.1 200 OK")
    assert b"404 Not Found" in got


def test_a_request_without_end_is_cut(hosts: SimulatedHosts) -> None:
    port = int(hosts.addresses["heron-01"].rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=5) as raw:
        raw.sendall(b"GET /" + b"a" * 40_000)
        try:
            left = raw.recv(10)
        except ConnectionResetError:
            left = b""
        assert left == b""


def test_nothing_is_left_running() -> None:
    before = threading.active_count()
    with SimulatedHosts(FARM, BEDS, END, END) as running:
        address = running.addresses["heron-01"]
        kept = requests.Session()
        kept.trust_env = False
        kept.get(address + "/v1/survey/latest", timeout=5)
    kept.close()
    assert threading.active_count() == before
    with pytest.raises(requests.ConnectionError):
        _get(address, "/v1/survey/latest")
    with pytest.raises(RuntimeError):
        running.move_clock(END)


def test_two_farms_run_side_by_side(hosts: SimulatedHosts) -> None:
    with SimulatedHosts(FARM, BEDS, END, END) as second:
        assert not set(second.addresses.values()) & set(hosts.addresses.values())
        assert _get(second.addresses["heron-01"], "/v1/survey/latest").status_code == 200


def test_a_large_farm_has_room_for_its_sockets() -> None:
    farm = farm_truth(600)
    beds = dict.fromkeys((machine.name for machine in farm), BEDS["heron-01"])
    with SimulatedHosts(farm, beds, END - timedelta(days=20), END) as running:
        assert len(set(running.addresses.values())) == 600
        assert _get(running.addresses["heron-200"], "/v1/survey/latest").status_code == 200


def test_more_files_than_the_system_allows_are_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda which: (20, 20))
    with pytest.raises(FarmwatchError, match="fewer --machines"), SimulatedHosts(FARM, BEDS, END, END):
        pass


def test_no_free_ports_are_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("farmwatch.demo.hosts.PORT_END", 21_605)
    with pytest.raises(FarmwatchError, match="ports are free"), SimulatedHosts(FARM, BEDS, END, END):
        pass
