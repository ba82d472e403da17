"""A host that answers by script: threads on loopback, a canned answer or a function per path."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import unquote

__all__ = ["Canned", "Host", "Wire", "raw", "serving"]


@dataclass
class Canned:
    """One answer: status, headers, body."""

    body: bytes = b""
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)


class Wire:
    """The bare connection, for answers that HTTP libraries would not send; `open` turns false when the host closes."""

    def __init__(self, sock: socket.socket, ended: threading.Event) -> None:
        self.sock = sock
        self._ended = ended

    def send(self, data: bytes) -> None:
        self.sock.sendall(data)

    def drip(self, data: bytes, every: float) -> None:
        """Send a byte at a time until done, or until the reader or the host is gone."""
        for i in range(len(data)):
            if self._ended.wait(every):
                return
            self.sock.sendall(data[i : i + 1])

    def flood(self, piece: bytes, times: int) -> None:
        for _ in range(times):
            self.sock.sendall(piece)

    def hang(self) -> None:
        self._ended.wait(30)

    def reset(self) -> None:
        self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        self.sock.close()


Script = Callable[["BaseHTTPRequestHandler"], Canned] | Canned | bytes | dict | list


def raw(act: Callable[[Wire], None]) -> Script:
    """A script that writes on the bare connection and then closes it."""

    def run(handler: Any) -> Canned | None:
        with suppress(OSError):
            act(Wire(handler.connection, handler.server.ended))
        handler.close_connection = True
        return None

    return run


class Host:
    """Scripts by path, and the requests that came: path with query, and headers."""

    def __init__(self, scripts: dict[str, Any], tls: ssl.SSLContext | None = None) -> None:
        self.scripts = scripts
        self.asked: list[str] = []
        self.headers: list[dict[str, str]] = []
        self.connections = 0
        self.tls = tls
        self._server = _Server(self)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        return self._server.server_address[1]

    @property
    def address(self) -> str:
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}"

    def close(self) -> None:
        self._server.ended.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128

    def __init__(self, host: Host) -> None:
        self.host = host
        self.ended = threading.Event()
        self.open: set[socket.socket] = set()
        super().__init__(("127.0.0.1", 0), _Handler)

    def finish_request(self, request: Any, client_address: Any) -> None:
        self.host.connections += 1
        if self.host.tls is not None:
            request.settimeout(5)
            request = self.host.tls.wrap_socket(request, server_side=True, do_handshake_on_connect=False)
        self.open.add(request)
        try:
            if self.host.tls is not None:
                request.do_handshake()
            super().finish_request(request, client_address)
        finally:
            self.open.discard(request)
            if self.host.tls is not None:
                request.close()

    def server_close(self) -> None:
        for sock in list(self.open):
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        super().server_close()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that goes away is what these hosts are for."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    wbufsize = 65536
    server: _Server

    def do_GET(self) -> None:
        host = self.server.host
        host.asked.append(self.path)
        host.headers.append(dict(self.headers.items()))
        script = host.scripts.get(unquote(self.path.split("?")[0]), Canned(status=404))
        answer = script(self) if callable(script) else script
        if answer is None:
            return
        if isinstance(answer, dict | list):
            answer = json.dumps(answer).encode()
        if isinstance(answer, bytes):
            answer = Canned(answer)
        self.send_response(answer.status)
        for name, value in answer.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(answer.body)))
        self.end_headers()
        self.wfile.write(answer.body)

    def log_message(self, *_: object) -> None:
        """Silent."""


@contextmanager
def serving(scripts: dict[str, Any], tls: ssl.SSLContext | None = None) -> Iterator[Host]:
    """A host for the length of a block."""
    host = Host(scripts, tls)
    try:
        yield host
    finally:
        host.close()
