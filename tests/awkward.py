"""Forty hosts of awkward shapes, on addresses of loopback side by side, as a newcomer's network shows them.

Each host speaks of one machine's bed in the way of its kind. The time that they tell is the one they were told.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self
from urllib.parse import unquote

import numpy as np
import orjson

from farmwatch.mesh import Floats

__all__ = ["KEY", "NETWORK", "AwkwardHosts", "Bed"]

NETWORK = "127.0.77.0/26"
KEY = "tide-tables"
AXIS: Floats = np.linspace(10.0, 210.0, 6)


@dataclass
class Bed:
    """A machine's bed: how high it stands at its screws, mm, and a form of its own."""

    name: str
    left_mm: float = 0.0
    """At the front left; the front right and the rear stand at 0."""
    plate_mm: float = 0.04
    seed: int = 0
    at: datetime = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)
    probings: int = 0

    def probe(self, at: datetime) -> None:
        """A new mesh is there, taken at a time."""
        self.at, self.probings = at, self.probings + 1

    def heights(self) -> Floats:
        """The mesh `[y, x]`, mm, bed-up, front row first."""
        x, y = np.meshgrid(AXIS, AXIS)
        places = np.array([[1.0, 20.0, 10.0], [1.0, 200.0, 10.0], [1.0, 110.0, 215.0]])
        level, along_x, along_y = np.linalg.solve(places, [self.left_mm, 0.0, 0.0])
        form = self.plate_mm * np.sin(x / 60.0) * np.cos(y / 90.0)
        noise = np.random.default_rng([self.seed, self.probings]).normal(0.0, 0.004, x.shape)
        z: Floats = (level + along_x * x + along_y * y + form + noise).round(5)
        return z


Answer = tuple[int, str, bytes]


def _json(body: Any, status: int = 200) -> Answer:
    return status, "application/json", orjson.dumps(body)


def _plain_rows(bed: Bed) -> Answer:
    """Everything there is, in plain words."""
    return _json(
        {
            "survey": {"x": AXIS.tolist(), "y": AXIS.tolist(), "heights": bed.heights().tolist()},
            "finished": bed.at.isoformat(),
            "bed_celsius": 60.0,
            "serial": f"TF-{bed.seed:04d}",
        }
    )


def _micrometres_from_the_rear(bed: Bed) -> Answer:
    """One long list in micrometres, the rear row first, with the span of the coordinates alone."""
    levels = (bed.heights()[::-1] * 1000).round().astype(int).ravel().tolist()
    return _json(
        {
            "levels_um": levels,
            "span": {"x": [10, 210], "y": [10, 210]},
            "columns": 6,
            "row_order": "rear to front",
            "ended_ms": int(bed.at.timestamp() * 1000),
        }
    )


def _points(bed: Bed) -> Answer:
    """A point at a time, in pairs, in a snake."""
    z = bed.heights()
    points = []
    for r, y in enumerate(AXIS):
        order = range(AXIS.size) if r % 2 == 0 else reversed(range(AXIS.size))
        points += [{"p": [float(AXIS[c]), float(y)], "h": float(z[r, c])} for c in order]
    return _json({"probe": {"points": points, "when": f"{bed.at:%d.%m.%Y %H:%M:%S}"}, "unit": bed.name})


def _text(bed: Bed) -> Answer:
    """A plain grid of numbers and nothing else."""
    rows = "\n".join(" ".join(f"{value:.4f}" for value in row) for row in bed.heights())
    return 200, "text/plain", f"{rows}\n".encode()


def _low_is_high(bed: Bed) -> Answer:
    """How far the bed lies below the nozzle's plane: a high bed is a small number."""
    return _json(
        {
            "gaps": (-bed.heights()).tolist(),
            "area": {"lo": [10, 10], "hi": [210, 210]},
            "stamp": bed.at.timestamp(),
            "id": f"AV-{bed.seed:04d}",
        }
    )


_Shape = Callable[[Bed], Answer]
KINDS: Mapping[str, tuple[str, _Shape, bool]] = {
    "rows": ("/status/bed", _plain_rows, False),
    "rear": ("/levels", _micrometres_from_the_rear, False),
    "points": ("/probe/last", _points, False),
    "text": ("/grid.txt", _text, False),
    "gaps": ("/gaps", _low_is_high, False),
    "keyed": ("/status/bed", _plain_rows, True),
}
"""By kind: its path, its shape, and whether it wants a key."""


@dataclass
class Host:
    """What stands at one address: a machine and its kind; `odd` is what it says in place of its mesh."""

    address: str
    kind: str
    bed: Bed
    odd: Answer | None = None
    off: bool = False
    server: ThreadingHTTPServer | None = field(default=None, repr=False)

    def answer(self, path: str, key: str | None) -> Answer:
        if self.odd is not None:
            return self.odd
        at, shape, keyed = KINDS[self.kind]
        if path != at:
            return _json({"error": "nothing here"}, 404)
        if keyed and key != KEY:
            return _json({"error": "who are you?"}, 401)
        return shape(self.bed)


class AwkwardHosts:
    """The hosts while the context lasts: 127.0.77.1 and on, all at one port."""

    def __init__(self, kinds: Mapping[str, str]) -> None:
        """kinds: by machine its kind, in the order of the addresses."""
        self.port = 0
        self.hosts = {
            name: Host(f"127.0.77.{n}", kind, Bed(name, seed=n)) for n, (name, kind) in enumerate(kinds.items(), 1)
        }

    def __enter__(self) -> Self:
        for host in self.hosts.values():
            if not host.off:
                self._serve(host)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for host in self.hosts.values():
            if host.server is not None:
                host.server.shutdown()
                host.server.server_close()

    def url(self, name: str, path: str = "") -> str:
        """Where the host of a machine is, and its path."""
        return f"http://{self.hosts[name].address}:{self.port}{path}"

    def probe(self, at: datetime) -> None:
        """Every machine is probed once."""
        for host in self.hosts.values():
            host.bed.probe(at)

    def _serve(self, host: Host) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                status, kind, body = host.answer(unquote(self.path), self.headers.get("X-Bench-Key"))
                self.send_response(status)
                self.send_header("Content-Type", kind)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        host.server = ThreadingHTTPServer((host.address, self.port), Handler)
        host.server.daemon_threads = True
        self.port = host.server.server_address[1]
        threading.Thread(target=host.server.serve_forever, args=(0.05,), daemon=True).start()
