"""A decent script for the same job, of general libraries only: what farmwatch's speed is measured against.

Written as a good engineer would in an afternoon: DuckDB reads the files by itself, one least-squares solution serves
all meshes of a machine, ruptures searches for breaks in C, scipy and pymannkendall tell the drift. What it leaves out
stands beside each ratio: it refuses no bad mesh, keeps no copies apart, knows no plates, temperatures, notes, spikes or
tickets, plans no shims, and forecasts by a straight line. The libraries are imported where they are used, so that
neither side of a figure waits for what it does not need.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

__all__ = ["assess", "import_ndjson", "import_parquet", "one_machine", "report"]

USABLE_MM, TOOTH_MM, DAY = 0.20, 0.4, 86400.0
SCREWS = np.array([(20.0, 10.0), (200.0, 10.0), (110.0, 215.0)])
TEETH = np.array(list(product(range(-5, 6), repeat=2)), dtype=float)
PAGE = """<!DOCTYPE html><title>Beds</title><table>{% for row in rows %}
<tr>{% for cell in row.values() %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</table>"""

_TABLE = "CREATE TABLE readings (machine VARCHAR, taken_at TIMESTAMPTZ, x DOUBLE[], y DOUBLE[], heights DOUBLE[])"
_INTO = "INSERT INTO readings SELECT machine, taken_at, x, y, flatten(heights) FROM "


def import_ndjson(file: Path, database: Path) -> None:
    """Read NDJSON by DuckDB's own reader."""
    with duckdb.connect(str(database)) as con:
        con.execute(_TABLE)
        columns = "{machine: 'VARCHAR', taken_at: 'TIMESTAMPTZ', x: 'DOUBLE[]', y: 'DOUBLE[]', heights: 'DOUBLE[][]'}"
        con.execute(f"{_INTO} read_json(?, format = 'newline_delimited', columns = {columns})", [str(file)])


def import_parquet(file: Path, database: Path) -> None:
    """Read Parquet by DuckDB's own reader."""
    with duckdb.connect(str(database)) as con:
        con.execute(_TABLE)
        con.execute(f"{_INTO} read_parquet(?)", [str(file)])


def assess(database: Path) -> list[dict[str, Any]]:
    """Every machine's range, form, breaks, drift, plan and forecast."""
    with duckdb.connect(str(database), read_only=True) as con:
        found = con.execute(
            "SELECT machine, epoch(taken_at) AS at, heights FROM readings ORDER BY machine, taken_at"
        ).fetchnumpy()
        x, y = con.execute("SELECT x, y FROM readings LIMIT 1").fetchone()
    px, py = (grid.ravel() for grid in np.meshgrid(x, y))
    names, starts = np.unique(found["machine"].astype(str), return_index=True)
    heights = np.stack(found["heights"])
    ends = [*starts[1:], len(heights)]
    return [
        {"machine": name, **one_machine(heights[a:b], found["at"][a:b] / DAY, px, py)}
        for name, a, b in zip(names.tolist(), starts, ends, strict=True)
    ]


def one_machine(z: np.ndarray, days: np.ndarray, px: np.ndarray, py: np.ndarray) -> dict[str, Any]:
    """One machine from its heights `[n, points]`, mm, at `days` `[n]`: plane, form, breaks, drift, plan, forecast."""
    import pymannkendall
    import ruptures
    from scipy import stats
    from scipy.optimize import linprog

    design = np.column_stack([np.ones(px.size), px, py])
    planes = np.linalg.lstsq(design, z.T, rcond=None)[0]
    form = z - (design @ planes).T
    u = (planes[1:].T) @ (SCREWS[:2] - SCREWS[2]).T
    noise = 1.4826 * np.median(np.abs(np.diff(u, axis=0)), axis=0) / np.sqrt(2) + 1e-6
    breaks = ruptures.KernelCPD(kernel="linear", min_size=3).fit(u / noise).predict(pen=40.0)
    begin = breaks[-2] if len(breaks) > 1 else 0
    drift, significant = [], False
    for k in range(2):
        slope, _, low, high = stats.theilslopes(u[begin:, k], days[begin:], 0.95)
        drift.append((slope, low, high))
        if len(u) - begin > 5:
            significant |= bool(pymannkendall.hamed_rao_modification_test(u[begin:, k]).p < 0.005)
    now, spread = z[-1], float(np.ptp(z[-1]))
    top = np.ones((px.size, 1))
    zone = linprog(
        [0.0, 0.0, 0.0, 2.0],
        A_ub=np.vstack([np.hstack([-design, -top]), np.hstack([design, -top])]),
        b_ub=np.concatenate([-now, now]),
        bounds=[(None, None)] * 3 + [(0, None)],
    ).fun
    shares = np.linalg.solve(np.column_stack([np.ones(3), SCREWS]).T, design.T)[:2]
    after = np.ptp(now + TEETH @ shares * TOOTH_MM, axis=1)
    best = int(after.argmin())
    return {
        "range_mm": spread, "zone_mm": float(zone), "rms_mm": float(np.sqrt((form[-1] ** 2).mean())),
        "breaks": len(breaks) - 1, "drift": drift, "significant": significant, "teeth": TEETH[best].tolist(),
        "after_mm": float(after[best]), "days": _crossing(np.ptp(z[begin:], axis=1), days[begin:]),
    }  # fmt: skip


def _crossing(ranges: np.ndarray, days: np.ndarray) -> tuple[float, float] | None:
    """Days to the limit from a straight line through the ranges: the median, and the early end of 80 %."""
    from scipy import stats

    if ranges.size < 6 or ranges[-1] > USABLE_MM:
        return None
    fit = stats.linregress(days, ranges)
    early = fit.slope + stats.t.ppf(0.9, ranges.size - 2) * fit.stderr
    left = USABLE_MM - (fit.intercept + fit.slope * days[-1])
    return (left / fit.slope if fit.slope > 0 else np.inf, left / early if early > 0 else np.inf)


def report(database: Path, page: Path) -> None:
    """The same as a bare table, worst first: no drawings, no follow-up, no work sheets."""
    from jinja2 import Environment

    rows = sorted(assess(database), key=lambda row: -row["range_mm"])
    page.write_text(Environment(autoescape=True).from_string(PAGE).render(rows=rows), encoding="utf-8")
