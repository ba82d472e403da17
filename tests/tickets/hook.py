"""A receiver of webhooks on loopback that answers by script."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

Answer = Callable[[BaseHTTPRequestHandler], None]


class Hook(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, answer: Answer) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.answer = answer
        self.got: list[tuple[dict[str, str], bytes]] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/tickets"


class _Handler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.got.append((dict(self.headers), body))
        self.server.answer(self)

    def log_message(self, *args: object) -> None:
        """Keep the tests' output clean."""


def status(code: int, body: bytes = b"", **headers: str) -> Answer:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(code)
        for name, value in headers.items():
            handler.send_header(name, value)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        try:
            handler.wfile.write(body)
        except OSError:
            handler.close_connection = True

    return answer


@contextmanager
def receiving(answer: Answer) -> Iterator[Hook]:
    hook = Hook(answer)
    thread = threading.Thread(target=hook.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield hook
    finally:
        hook.shutdown()
        hook.server_close()
        thread.join(timeout=10)
