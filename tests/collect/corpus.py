"""Answers of many shapes from hosts that do not exist, each with the place of its heights known.

Invented, and only good for telling whether the proposal finds its way; the words and shapes are drawn without looking
at the words that the proposal knows. Truth first: a bed, then a host that lists it in its own way among other numbers.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Case", "cases", "hit", "hit_axes"]

# fmt: off
HEIGHT_NAMES = [
    "heights", "grid", "mesh", "z", "data", "values", "plateMesh", "probe_values", "result", "bedHeights", "surface",
    "survey", "level_map", "b1", "table", "field", "dz", "body", "samplesZ", "topo", "points", "measured",
    "bed_shape", "deviation", "payload",
]
OUTER = [
    "survey", "bed", "mesh", "calibration", "result", "state", "probe", "machine", "data", "answer", "report",
    "latest", "info", "a", "v2",
]
# fmt: on
UNITS = {"mm": 1.0, "um": 1000.0, "inch": 1 / 25.4}


@dataclass(frozen=True)
class Case:
    """One answer, the mapping's keys that must be found, and the bed: x, y, z in mm from the front left."""

    name: str
    body: bytes
    wanted: dict[str, str]
    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    spans: str


def cases(count: int = 200, seed: int = 2026) -> Iterator[Case]:
    """`count` answers, the shapes by turns, everything else drawn."""
    rng = random.Random(seed)
    shapes = [_rows, _rows, _rows_named, _rows_of_objects, _flat, _flat, _points, _points, _triples, _text]
    for number in range(count):
        yield _Host(rng, number).case(shapes[number % len(shapes)])


class _Host:
    def __init__(self, rng: random.Random, number: int) -> None:
        self.rng, self.number = rng, number
        self.rows, self.columns = (
            rng.choice([3, 4, 5, 5, 6, 7, 7, 9, 11, 15]),
            rng.choice([3, 4, 5, 5, 6, 7, 7, 9, 11, 15]),
        )
        if rng.random() < 0.4:
            self.rows = self.columns
        self.unit = rng.choices(["mm", "um", "inch"], [8, 2, 1])[0]
        low_x, low_y = rng.choice([0, 5, 10, 17.5, 30]), rng.choice([0, 5, 10, 22])
        self.x = np.linspace(low_x, low_x + rng.choice([120, 180, 200, 210, 300]), self.columns).round(3)
        self.y = np.linspace(low_y, low_y + rng.choice([120, 180, 200, 250]), self.rows).round(3)
        self.z = self._bed()
        self.spans = rng.choice(["lists", "ends", "flat-ends", "corners", "box", "sizes", "none"])

    def _bed(self) -> np.ndarray:
        rng = self.rng
        u, v = np.meshgrid(np.linspace(-1, 1, self.columns), np.linspace(-1, 1, self.rows))
        z = rng.gauss(0, 0.15) * u + rng.gauss(0, 0.15) * v + rng.gauss(0, 0.1) * (u * u + v * v - 1)
        z = z + rng.gauss(0, 0.04) * u * v + rng.choice([0, 0, rng.uniform(-0.4, 0.4)])
        return z + np.array([[rng.gauss(0, 0.008) for _ in range(self.columns)] for _ in range(self.rows)])

    def listed(self) -> list[list[Any]]:
        """Heights as this host writes them."""
        digits = {"mm": 4, "um": self.rng.choice([0, 1]), "inch": 6}[self.unit]
        values = (self.z * UNITS[self.unit]).round(digits)
        rows: list[list[Any]] = [[int(v) if digits == 0 else float(v) for v in row] for row in values]
        if self.rng.random() < 0.15 and self.rows * self.columns > 15:
            rows[self.rng.randrange(self.rows)][self.rng.randrange(self.columns)] = None
        return rows

    def case(self, shape: Any) -> Case:
        body, wanted = shape(self)
        if not isinstance(body, bytes):
            body = json.dumps(body).encode()
        name = f"{self.number:03}-{shape.__name__[1:]}-{self.rows}x{self.columns}-{self.unit}-{self.spans}"
        return Case(name, body, wanted, self.x, self.y, self.z, self.spans)

    # What stands around the heights.

    def name(self, known: str = "") -> str:
        """A name for the heights, or `known`; one time in four one that says nothing."""
        if self.rng.random() < 0.25:
            return "".join(self.rng.choice("bcdfghklmnprstvw") for _ in range(4))
        return known or self.rng.choice(HEIGHT_NAMES)

    def around(self, inner: dict[str, Any]) -> tuple[dict[str, Any], str]:
        """The heights' object within others, other numbers about, and the path to it."""
        rng = self.rng
        inner = self.shuffled({**inner, **self.spanned(), **self.small_talk()})
        if rng.random() < 0.35:
            inner = self.shuffled({**inner, **dict(self.decoy() for _ in range(rng.randrange(1, 3)))})
        path = "$"
        for _ in range(rng.randrange(0, 4)):
            outer = self.name(rng.choice(OUTER))
            path = f"$.{outer}" + path[1:]
            inner = self.shuffled({outer: inner, **dict(self.decoy() for _ in range(rng.randrange(0, 3)))}, keep=outer)
        return inner, path

    def shuffled(self, given: dict[str, Any], keep: str = "") -> dict[str, Any]:
        items = list(given.items())
        self.rng.shuffle(items)
        return dict(items)

    def small_talk(self) -> dict[str, Any]:
        rng = self.rng
        talk = {
            "finished": rng.choice(["2026-11-20T04:12:09Z", 1795234329, 1795234329123, "2026-11-20 04:12:09"]),
            "bed": {"temperature": round(rng.uniform(20, 70), 1), "target": 60},
            "serial": f"K{rng.randrange(10**6)}",
            "attempts": rng.randrange(1, 5),
            "ok": True,
            "speed": rng.choice([5, 8, 10]),
        }
        return {name: value for name, value in talk.items() if rng.random() < 0.6}

    def spanned(self) -> dict[str, Any]:
        x, y, rng = self.x.tolist(), self.y.tolist(), self.rng
        ends = (x[0], x[-1], y[0], y[-1])
        if self.spans == "lists":
            return rng.choice([{"x": x, "y": y}, {"axis": {"x": x, "y": y}}, {"columns_at": x, "rows_at": y}])
        if self.spans == "ends":
            return rng.choice(
                [{"x": [ends[0], ends[1]], "y": [ends[2], ends[3]]},
                 {"x": {"min": ends[0], "max": ends[1]}, "y": {"min": ends[2], "max": ends[3]}}]
            )  # fmt: skip
        if self.spans == "flat-ends":
            names = rng.choice([("x_min", "x_max", "y_min", "y_max"), ("xFrom", "xTo", "yFrom", "yTo")])
            return dict(zip(names, ends, strict=True))
        if self.spans == "corners":
            low, high = [ends[0], ends[2]], [ends[1], ends[3]]
            return rng.choice([{"start": low, "end": high}, {"area": {"low": low, "high": high}}])
        if self.spans == "box":
            return {"region": [ends[0], ends[2], ends[1], ends[3]]}
        if self.spans == "sizes":
            return {"size": {"x": x[-1] + 10, "y": y[-1] + 10}}
        return {}

    def decoy(self) -> tuple[str, Any]:
        """A table or list of other numbers."""
        name, value = self._decoy()
        # A former mesh without its name could be told from the present one by nobody.
        return (name if name in ("previous", "ideal") else self.name(name)), value

    def _decoy(self) -> tuple[str, Any]:
        rng = self.rng
        n = rng.randrange(4, 12)

        def smooth(low: float, high: float, m: int, digits: int = 1) -> list[list[float]]:
            a, b, c = rng.uniform(low, high), rng.uniform(-1, 1), rng.uniform(-1, 1)
            step = (high - low) / 20
            return [
                [round(a + step * (b * i + c * j) + rng.gauss(0, step / 4), digits) for j in range(m)] for i in range(m)
            ]

        stored = (np.array(self.z) * 0.7 + 0.02 * rng.random()).round(4).tolist()
        return rng.choice(
            [
                ("thermal_image", smooth(20, 80, 8)),
                ("history", [round(60 + rng.gauss(0, 0.4), 2) for _ in range(rng.choice([25, 36, 60, 64, 100]))]),
                ("temperatures", [[round(rng.uniform(20, 25), 2) for _ in range(3)] for _ in range(n)]),
                ("fan_curve", [[10 * i, 5 * i] for i in range(n)]),
                ("histogram", [rng.randrange(0, 90) for _ in range(rng.choice([16, 25, 49]))]),
                ("preview", [[rng.randrange(256) for _ in range(16)] for _ in range(16)]),
                ("vibration", [[round(rng.gauss(0, 0.2), 4) for _ in range(3)] for _ in range(4 * n)]),
                ("layers", [round(0.2 * i, 2) for i in range(1, rng.choice([37, 50, 101]))]),
                ("samples_taken", [[3] * self.columns for _ in range(self.rows)]),
                (
                    "sigma",
                    [[round(abs(rng.gauss(0.004, 0.002)), 4) for _ in range(self.columns)] for _ in range(self.rows)],
                ),
                ("previous", {"z": stored, "note": "before the plate was changed"}),
                ("ideal", [[0.0] * self.columns for _ in range(self.rows)]),
                (
                    "jobs",
                    [{"id": i, "grams": round(rng.uniform(2, 90), 1), "minutes": rng.randrange(600)} for i in range(n)],
                ),
                (
                    "spools",
                    [{"left": rng.randrange(1000), "pos": [i, 0], "hum": rng.uniform(10, 30)} for i in range(9)],
                ),
                ("positions", [[[x, y] for x in self.x.tolist()] for y in self.y.tolist()]),
                ("xs_of_points", [self.x.tolist() for _ in self.y]),
                ("uptime_days", [rng.randrange(30) for _ in range(n)]),
            ]
        )


def _placed(path: str, name: str) -> str:
    return f"{path}.{name}"


def _rows(host: _Host) -> tuple[Any, dict[str, str]]:
    name = host.name()
    answer, path = host.around({name: host.listed()})
    return answer, {"layout": "rows", "heights": _placed(path, name)}


def _rows_named(host: _Host) -> tuple[Any, dict[str, str]]:
    """Rows under names that count."""
    name = host.name()
    prefix = host.rng.choice(["row", "line", "r", ""])
    answer, path = host.around({name: {f"{prefix}{i}": row for i, row in enumerate(host.listed())}})
    return answer, {"layout": "rows", "heights": _placed(path, name) + "[*]"}


def _rows_of_objects(host: _Host) -> tuple[Any, dict[str, str]]:
    name, inner = host.name(), host.rng.choice(["z", "values", "h", "row"])
    rows = [{"y": y, inner: row} for y, row in zip(host.y.tolist(), host.listed(), strict=True)]
    answer, path = host.around({name: rows})
    return answer, {"layout": "rows", "heights": f"{_placed(path, name)}[*].{inner}"}


def _flat(host: _Host) -> tuple[Any, dict[str, str]]:
    name = host.name()
    said = host.rng.choice(
        [{"columns": host.columns, "rows": host.rows}, {"nx": host.columns, "ny": host.rows},
         {"count": {"x": host.columns, "y": host.rows}}, {"width": host.columns}]
    )  # fmt: skip
    answer, path = host.around({name: [value for row in host.listed() for value in row], **said})
    return answer, {"layout": "flat", "heights": _placed(path, name)}


def _points(host: _Host) -> tuple[Any, dict[str, str]]:
    rng, name = host.rng, host.name()
    ways = [
        (lambda x, y, z: {"x": x, "y": y, "z": z}, "$.z"),
        (lambda x, y, z: {"pos": {"x": x, "y": y}, "dev": z, "tries": rng.randrange(1, 4)}, "$.dev"),
        (lambda x, y, z: {"at": [x, y], "height": z, "sd": abs(rng.gauss(0, 0.002))}, "$.height"),
        (lambda x, y, z: {"id": rng.randrange(10**6), "px": x, "py": y, "value": z}, "$.value"),
    ]
    make, place = rng.choice(ways)
    listed = host.listed()
    points = [make(x, y, listed[r][c]) for r, y in enumerate(host.y.tolist()) for c, x in enumerate(host.x.tolist())]
    if rng.random() < 0.4:
        rng.shuffle(points)
    answer, path = host.around({name: points})
    return answer, {"layout": "points", "heights": _placed(path, name), "point_z": place}


def _triples(host: _Host) -> tuple[Any, dict[str, str]]:
    name, listed = host.name(), host.listed()
    points = [[x, y, listed[r][c]] for r, y in enumerate(host.y.tolist()) for c, x in enumerate(host.x.tolist())]
    answer, path = host.around({name: points})
    return answer, {"layout": "points", "heights": _placed(path, name), "point_z": "$[2]"}


def _text(host: _Host) -> tuple[Any, dict[str, str]]:
    apart = host.rng.choice([" ", "\t", ",", ", ", ";"])
    lines = [apart.join("nan" if value is None else str(value) for value in row) for row in host.listed()]
    host.spans = "none"
    return ("\n".join(lines) + "\n").encode(), {"answer": "text"}


def hit(case: Case, proposal: Any) -> bool:
    """Whether a proposal names the right heights, in the right layout."""
    return all(proposal.fields.get(key) == value for key, value in case.wanted.items())


def hit_axes(case: Case, proposal: Any) -> bool:
    """Whether its coordinates are right as well."""
    mesh = proposal.found.mesh
    return bool(
        mesh.z.shape == case.z.shape
        and np.allclose(mesh.x, case.x, atol=0.01)
        and np.allclose(mesh.y, case.y, atol=0.01)
    )
