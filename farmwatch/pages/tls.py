"""TLS in front of the server: accepts, shakes hands within a deadline, and passes plain bytes on.

waitress speaks no TLS, so one thread does it for all connections (asyncio), each passed on by a pair of sockets; there
is no port without TLS beside it. How many connections there may be is counted from the first byte on.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from farmwatch.errors import FarmwatchError

__all__ = ["TlsFront"]

_log = logging.getLogger(__name__)

HANDSHAKE_SECONDS = 5.0
CLOSING_SECONDS = 2.0
# Connections that have not shaken hands yet, from one address.
SHAKING_OF_ONE = 16
PIECE = 64 * 1024

HandOver = Callable[[socket.socket, Any], None]


class TlsFront:
    """Accepts at `listening` (not blocking) from `start` until `close`, at most `most` connections at a time.

    Raises FarmwatchError where certificate and key cannot be used.
    """

    def __init__(self, listening: socket.socket, certificate: Path, key: Path, most: int) -> None:
        self._listening = listening
        self._most = most
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            self._context.load_cert_chain(certificate, key, password=_no_password)
        except (OSError, ssl.SSLError) as fault:
            raise FarmwatchError(
                f"service.certificate {certificate} and service.key {key} cannot be used: {fault.strerror or fault}; "
                "wanted a PEM chain and its PEM key without a password, both readable by the service"
            ) from None
        self._loop = asyncio.new_event_loop()
        self._open: set[asyncio.Task[None]] = set()
        self._shaking: Counter[str] = Counter()
        self._thread = threading.Thread(target=self._run, name="farmwatch-tls", daemon=True)

    def start(self, hand_over: HandOver) -> None:
        """Begin to accept; `hand_over` gets the plain end of each connection and the address it comes from."""
        self._hand_over = hand_over
        self._thread.start()

    def close(self) -> None:
        """Accept no more, and end what is open."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(CLOSING_SECONDS)

    def _run(self) -> None:
        accepting = self._loop.create_task(self._accept())
        self._loop.run_forever()
        for task in (accepting, *self._open):
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(accepting, *self._open, return_exceptions=True))
        self._loop.close()

    async def _accept(self) -> None:
        while True:
            try:
                sock, address = await self._loop.sock_accept(self._listening)
            except OSError:
                # Out of file descriptors, perhaps: not for long.
                await asyncio.sleep(0.2)
                continue
            if len(self._open) >= self._most or self._shaking[str(address[0])] >= SHAKING_OF_ONE:
                # Whoever has not shaken hands cannot be told anything.
                sock.close()
                continue
            task = self._loop.create_task(self._serve(sock, address))
            self._open.add(task)
            task.add_done_callback(self._open.discard)

    async def _serve(self, sock: socket.socket, address: Any) -> None:
        reader = asyncio.StreamReader(limit=PIECE)
        protocol = asyncio.StreamReaderProtocol(reader)
        self._shaking[str(address[0])] += 1
        try:
            transport, _ = await self._loop.connect_accepted_socket(
                lambda: protocol, sock, ssl=self._context, ssl_handshake_timeout=HANDSHAKE_SECONDS,
                ssl_shutdown_timeout=CLOSING_SECONDS,
            )  # fmt: skip
        except (OSError, ssl.SSLError, TimeoutError):
            sock.close()
            return
        finally:
            self._shaking[str(address[0])] -= 1
            self._shaking += Counter()
        writer = asyncio.StreamWriter(transport, protocol, reader, self._loop)
        ours, theirs = socket.socketpair()
        theirs.setblocking(False)
        self._hand_over(theirs, address)
        try:
            inner_reader, inner_writer = await asyncio.open_connection(sock=ours, limit=PIECE)
            asking = self._loop.create_task(_pass_on(reader, inner_writer))
            await _pass_on(inner_reader, writer)
            asking.cancel()
            inner_writer.close()
        finally:
            with contextlib.suppress(OSError, ssl.SSLError, TimeoutError):
                writer.close()
                await writer.wait_closed()


async def _pass_on(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
    """Everything from one side to the other, until either ends."""
    with contextlib.suppress(OSError, ssl.SSLError):
        while piece := await source.read(PIECE):
            target.write(piece)
            await target.drain()
        if target.can_write_eof():
            target.write_eof()


def _no_password() -> str:
    raise FarmwatchError("service.key has a password; wanted a key without one, readable by the service alone")
