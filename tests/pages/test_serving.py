"""The server under the pages: right answers, and bounds that slow, idle or odd clients meet."""

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from farmwatch.config.settings import ServiceSection
from farmwatch.errors import FarmwatchError
from farmwatch.pages import PagesServer, serving
from tests.pages.conftest import HEALTH, Pages


def served(farm: Pages, **service: object) -> PagesServer:
    found = PagesServer(farm.app, ServiceSection.model_validate({"listen": "127.0.0.1:0", **service}))
    found.start()
    return found


@pytest.fixture
def server(farm: Pages) -> Iterator[PagesServer]:
    found = served(farm)
    yield found
    found.close()


def ask(server: PagesServer, raw: bytes) -> tuple[str, bytes]:
    """Status line and body."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as sock:
        sock.sendall(raw)
        got = b"".join(iter(lambda: sock.recv(65536), b""))
    head, _, body = got.partition(b"\r\n\r\n")
    return head.split(b"\r\n")[0].decode(), body


def test_health_and_figures_are_what_the_service_publishes(server: PagesServer) -> None:
    for method in ("GET", "HEAD"):
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=5)
        connection.request(method, "/health?now=1")
        answer = connection.getresponse()
        assert answer.status == 200
        assert answer.headers["Content-Type"] == "application/json"
        assert answer.headers["Content-Length"] == str(len(HEALTH.body))
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.read() == (HEALTH.body if method == "GET" else b"")
        connection.close()


@pytest.mark.parametrize(
    ("request_line", "status"),
    [
        (b"POST /health HTTP/1.1\r\nHost: localhost\r\n", 405),
        (b"DELETE /health HTTP/1.1\r\nHost: localhost\r\n", 405),
        (b"OPTIONS /health HTTP/1.1\r\nHost: localhost\r\n", 405),
        (b"GET /health HTTP/1.1\r\n", 400),
        (b"GET /health HTTP/1.1\r\nHost: a\r\nHost: b\r\n", 400),
        (b"GET /health HTTP/1.1\r\nHost: farm@localhost\r\n", 400),
        (b"GET /health HTTP/1.1\r\nHost: evil.example:8790\r\n", 421),
        (b"GET /health HTTP/1.1\r\nHost: [::1]:8790\r\n", 200),
        (b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n", 200),
        (b"GET /health HTTP/1.0\r\n", 200),
        (b"\x16\x03\x01\x02\r\n", 400),
        (b"GET /" + b"x" * 9000 + b" HTTP/1.1\r\n", 431),
        (b"POST /health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999\r\n", 413),
        (b"GET /health HTTP/1.1\r\nHost: localhost\r\nX: a\rSet-Cookie: b\r\n", 400),
    ],
)
def test_every_request_gets_its_status(server: PagesServer, request_line: bytes, status: int) -> None:
    line, body = ask(server, request_line + b"Connection: close\r\n\r\n")
    assert line.startswith((f"HTTP/1.1 {status} ", f"HTTP/1.0 {status} "))
    if status != 200:
        assert json.loads(body)["status"] == status


GOOD = b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"


def test_five_hundred_idle_connections_keep_nobody_out(server: PagesServer) -> None:
    """The one idle longest gives up its place; no thread and no more than the bound of connections is held."""
    threads = threading.active_count()
    idle = []
    for _ in range(500):
        sock = socket.create_connection(("127.0.0.1", server.port))
        idle.append(sock)
    idle[-1].sendall(b"GET /health HT")
    assert ask(server, GOOD)[0] == "HTTP/1.1 200 OK"
    assert threading.active_count() <= threads
    assert len(server._server.active_channels) <= serving.CONNECTIONS
    for sock in idle:
        sock.close()


def test_where_all_are_busy_the_newcomer_is_told_when_to_come_again(
    server: PagesServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "CONNECTIONS", 3)
    monkeypatch.setattr(server._server, "most_of_one", 3)
    busy = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(3)]
    for sock in busy:
        sock.sendall(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 10\r\n\r\nabc")
    until = time.monotonic() + 5
    while sum(one.request is not None for one in server._server.active_channels.values()) < 3:
        assert time.monotonic() < until
        time.sleep(0.01)

    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as sock:
        got = b"".join(iter(lambda: sock.recv(65536), b""))

    assert got.startswith(b"HTTP/1.1 503 ")
    assert b"Retry-After: 2" in got
    for sock in busy:
        sock.close()


def test_a_request_that_drips_in_is_told_that_it_took_too_long(
    server: PagesServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "ARRIVING_SECONDS", 0.2)
    monkeypatch.setattr(serving, "IDLE_SECONDS", 0.2)
    with (
        socket.create_connection(("127.0.0.1", server.port), timeout=8) as dripping,
        socket.create_connection(("127.0.0.1", server.port), timeout=8) as silent,
    ):
        dripping.sendall(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 10\r\n\r\na")
        assert dripping.recv(100).startswith(b"HTTP/1.1 408 ")
        assert silent.recv(100) == b""


def test_a_port_in_use_is_said(farm: Pages, server: PagesServer) -> None:
    with pytest.raises(FarmwatchError, match=r"service\.listen .*cannot listen there"):
        served(farm, listen=f"127.0.0.1:{server.port}")


def test_ipv6(farm: Pages) -> None:
    try:
        found = served(farm, listen="[::1]:0")
    except FarmwatchError:
        pytest.skip("no IPv6 here")
    with socket.create_connection(("::1", found.port), timeout=5) as sock:
        sock.sendall(b"GET /health HTTP/1.1\r\nHost: [::1]\r\n\r\n")
        assert sock.recv(100).startswith(b"HTTP/1.1 200")
    found.close()
