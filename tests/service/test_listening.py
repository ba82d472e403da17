"""The small HTTP server: right answers, and bounds that slow or odd clients meet."""

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from farmwatch.errors import FarmwatchError
from farmwatch.service import listening
from farmwatch.service.listening import Listener, Reply


@pytest.fixture
def listener(monkeypatch: pytest.MonkeyPatch) -> Iterator[Listener]:
    monkeypatch.setattr(listening, "LONGEST_SECONDS", 0.5)

    def bug() -> Reply:
        raise RuntimeError("boom")

    found = Listener(
        "127.0.0.1", 0, {"/health": lambda: Reply(200, "application/json", b'{"well":true}\n'), "/bug": bug}
    )
    found.start()
    yield found
    found.close()


def ask(listener: Listener, raw: bytes) -> tuple[str, bytes]:
    """Status line and body."""
    with socket.create_connection(("127.0.0.1", listener.port), timeout=5) as sock:
        sock.sendall(raw)
        got = b"".join(iter(lambda: sock.recv(65536), b""))
    head, _, body = got.partition(b"\r\n\r\n")
    return head.split(b"\r\n")[0].decode(), body


def test_get_and_head(listener: Listener) -> None:
    for method in ("GET", "HEAD"):
        connection = http.client.HTTPConnection("127.0.0.1", listener.port, timeout=5)
        connection.request(method, "/health?now=1")
        answer = connection.getresponse()
        assert answer.status == 200
        assert answer.headers["Content-Type"] == "application/json"
        assert answer.headers["Content-Length"] == "14"
        assert answer.read() == (b'{"well":true}\n' if method == "GET" else b"")
        connection.close()


@pytest.mark.parametrize(
    ("request_line", "status"),
    [
        (b"POST /health HTTP/1.1\r\nHost: localhost\r\n", 405),
        (b"DELETE /health HTTP/1.1\r\nHost: localhost\r\n", 405),
        (b"GET /etc/passwd HTTP/1.1\r\nHost: localhost\r\n", 404),
        (b"GET /bug HTTP/1.1\r\nHost: localhost\r\n", 500),
        (b"GET /health HTTP/1.1\r\n", 400),
        (b"GET /health HTTP/1.1\r\nHost: a\r\nHost: b\r\n", 400),
        (b"GET /health HTTP/1.1\r\nHost: evil.example:8790\r\n", 421),
        (b"GET /health HTTP/1.1\r\nHost: [::1]:8790\r\n", 200),
        (b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n", 200),
        (b"GET /health HTTP/1.0\r\n", 200),
        (b"\x16\x03\x01\x02\r\n", 400),
        (b"GET /" + b"x" * 9000 + b" HTTP/1.1\r\n", 431),
    ],
)
def test_every_request_gets_its_status(listener: Listener, request_line: bytes, status: int) -> None:
    line, body = ask(listener, request_line + b"\r\n")
    assert line.startswith(f"HTTP/1.1 {status} ")
    if status != 200:
        assert json.loads(body)["status"] == status


def test_slow_clients_cannot_pile_up(listener: Listener) -> None:
    """Twelve that send nothing: each is let go of after the bound, so somebody who asks is answered meanwhile."""
    threads = threading.active_count()
    idle = [socket.create_connection(("127.0.0.1", listener.port)) for _ in range(12)]
    idle[0].sendall(b"GET /health HT")
    begin = time.monotonic()
    assert ask(listener, b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n")[0] == "HTTP/1.1 200 OK"
    # Twelve, four at a time, half a second each; generous for a busy computer.
    assert time.monotonic() - begin < 10
    assert threading.active_count() <= threads + listening.AT_ONCE
    for sock in idle:
        sock.close()


def test_a_port_in_use_is_said(listener: Listener) -> None:
    with pytest.raises(FarmwatchError, match=r"service\.listen .*cannot listen there"):
        Listener("127.0.0.1", listener.port, {})


def test_ipv6(listener: Listener) -> None:
    try:
        found = Listener("::1", 0, {"/health": lambda: Reply(200, "text/plain", b"well")})
    except FarmwatchError:
        pytest.skip("no IPv6 here")
    found.start()
    with socket.create_connection(("::1", found.port), timeout=5) as sock:
        sock.sendall(b"GET /health HTTP/1.1\r\nHost: [::1]\r\n\r\n")
        assert sock.recv(100).startswith(b"HTTP/1.1 200")
    found.close()
