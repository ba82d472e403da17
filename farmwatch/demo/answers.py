"""How the simulated hosts phrase a mesh, and the mapping that reads each phrasing. All of them are invented.

Each `Phrasing` is a path, the TOML of its mapping and a function from one mesh to the bytes of an answer. They
differ in everything a mapping must settle: layout, unit, sign, first corner, order, where the coordinates, the time and
the temperature stand.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from farmwatch.demo.farm import FARM_TIMEZONE
from farmwatch.mesh import Floats
from farmwatch.times import from_epoch, rfc3339

__all__ = ["HOST_KEY", "HOST_KEY_HEADER", "PHRASINGS", "Phrasing", "Said"]

HOST_KEY = "reed-bed-low-water"
HOST_KEY_HEADER = "X-Tidegate-Key"
INCH_MM = 25.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Said:
    """What a host has to say: one mesh, z `[r, c]` mm bed-up, and what stands beside it."""

    serial: str
    x: Floats
    y: Floats
    z: Floats
    taken_at: float
    celsius: float
    plate: str


@dataclass(frozen=True, slots=True)
class Phrasing:
    """One way to answer: the mapping's TOML, the answers by path, and whether the host asks for the farm's key."""

    mapping: str
    answers: dict[str, Callable[[Said], tuple[str, bytes]]]
    wants_key: bool = False


def _json(document: object) -> tuple[str, bytes]:
    return "application/json", json.dumps(document, separators=(",", ":")).encode()


def _survey_rows(said: Said) -> tuple[str, bytes]:
    finished = rfc3339(from_epoch(said.taken_at))
    survey = {"grid": said.z.tolist(), "x": np.round(said.x, 3).tolist(), "finished": finished, "plate": said.plate}
    return _json({"serial": said.serial, "survey": survey, "bed": {"celsius": said.celsius}})


def _gauge_strip(said: Said) -> tuple[str, bytes]:
    from_rear_right = said.z[::-1, ::-1].copy()
    from_rear_right[1::2] = from_rear_right[1::2, ::-1]
    strip = np.round(-1000.0 * from_rear_right).astype(int).ravel().tolist()
    gauge = {"wide": said.x.size, "strip": strip, "reach": [float(said.x[0]), float(said.x[-1])]}
    depth = [float(said.y[0]), float(said.y[-1])]
    return _json({"unit_number": said.serial, "gauge": {**gauge, "depth": depth}, "at_ms": int(said.taken_at * 1000)})


def _gauge_warmth(said: Said) -> tuple[str, bytes]:
    return _json({"warmth": {"bed": said.celsius}, "sheet": said.plate})


def _spot_list(said: Said) -> tuple[str, bytes]:
    local = datetime.fromtimestamp(said.taken_at, ZoneInfo(FARM_TIMEZONE)).strftime("%Y-%m-%dT%H:%M:%S")
    spots = [
        {"across": round(float(x), 3), "along": round(float(y), 3), "rise": float(said.z[r, c])}
        for c, x in enumerate(said.x)
        for r, y in enumerate(said.y)
    ]
    return _json({"made": said.serial, "walk": {"spots": spots, "ended": local, "warm": said.celsius}})


def _level_columns(said: Said) -> tuple[str, bytes]:
    columns = np.round(said.z[:, ::-1].T / INCH_MM, 6)
    levels = {"by_column": columns.tolist(), "done": int(said.taken_at)}
    return _json({"levels": levels, "tag": said.serial, "sheet": {"name": said.plate}, "bed_c": said.celsius})


def _plain_grid(said: Said) -> tuple[str, bytes]:
    lines = [" ".join(f"{height:.3f}" for height in row) for row in said.z[::-1]]
    return "text/plain", ("\n".join(lines) + "\n").encode()


PHRASINGS: dict[str, Phrasing] = {
    "survey-rows": Phrasing(
        """path = "/v1/survey/latest"
heights = "$.survey.grid"
layout = "rows"
first = "front-left"
unit = "mm"
x = "$.survey.x"
y = [10, 210]
taken_at = "$.survey.finished"
bed_celsius = "$.bed.celsius"
plate = "$.survey.plate"
identity = "$.serial"
""",
        {"/v1/survey/latest": _survey_rows},
    ),
    "gauge-strip": Phrasing(
        f'''path = "/gauge/{{machine}}"       # one long row, to and fro from the rear right, micrometres downwards
heights = "$.gauge.strip"
layout = "flat"
columns = "$.gauge.wide"
first = "rear-right"
serpentine = true
unit = "um"
sign = "bed-down"
x = ["$.gauge.reach[0]", "$.gauge.reach[1]"]
y = ["$.gauge.depth[0]", "$.gauge.depth[1]"]
taken_at = "$.at_ms"
identity = "$.unit_number"
headers = {{ "{HOST_KEY_HEADER}" = "file:hosts.key" }}
also = [ {{ path = "/warmth", bed_celsius = "$.warmth.bed", plate = "$.sheet" }} ]
''',
        {"/gauge/{machine}": _gauge_strip, "/warmth": _gauge_warmth},
        wants_key=True,
    ),
    "spot-list": Phrasing(
        f'''path = "/walk?last=1"            # every point with its own place, and a local time
heights = "$.walk.spots"
layout = "points"
point_x = "$.across"
point_y = "$.along"
point_z = "$.rise"
unit = "mm"
taken_at = "$.walk.ended"
taken_at_zone = "{FARM_TIMEZONE}"
bed_celsius = "$.walk.warm"
identity = "$.made"
''',
        {"/walk?last=1": _spot_list},
    ),
    "level-columns": Phrasing(
        """path = "/levels.json"            # column by column from the front right, inches
heights = "$.levels.by_column"
layout = "rows"
first = "front-right"
order = "along-y"
unit = "inch"
x = [15, 335]
y = [15, 335]
taken_at = "$.levels.done"
bed_celsius = "$.bed_c"
plate = "$.sheet.name"
identity = "$.tag"
""",
        {"/levels.json": _level_columns},
    ),
    "plain-grid": Phrasing(
        """path = "/bed.txt"                # a plain grid, the rear row on top, as one looks down on the bed
answer = "text"
first = "rear-left"
unit = "mm"
x = [6, 154]
y = [6, 154]
""",
        {"/bed.txt": _plain_grid},
    ),
}
