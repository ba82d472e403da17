"""Tooth plan: the whole belt teeth, and the shims, that leave the least range on a mesh.

Raising screw i by d adds d·L_i(x, y) to every height (`measure.influence`), so the range is a convex function of the
heights at the screws. Both searches run over a finite table of settings and are exact: a few points of the mesh give
a lower bound for every setting at once; the best setting's own highest and lowest points join them until its bound
is its true range (cutting planes: Kelley 1960, here over a finite set). A bed on four or more screws is rigid:
settings that would twist it are not in the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, combinations_with_replacement, product

import numpy as np
from numpy.typing import NDArray

from farmwatch.mesh import Floats

__all__ = ["ShimPlan", "ToothPlan", "shim_plan", "tooth_plan"]

Whole = NDArray[np.int64]

MOST_TEETH = 40
# How far a screw may stand off the plane of a rigid bed, in teeth (or in thinnest shims). On a rectangle of four
# screws one tooth too many at one corner stands 0.25 off, so a setting one tooth twisted is out.
TWIST = 0.15
TIE_MM = 1e-9
# Another sheet of shim is not worth less than this: it is below what a probe repeats.
SHIM_WORTH_MM = 0.005
SHEETS_A_MOUNT = 4
# With more than four mounts the table would grow out of hand.
SHEETS_A_MOUNT_OF_MANY = 2
# Rows of the largest table of shims; past it fewer sheets, then fewer of a long stock, are tried.
MOST_SHIM_SETTINGS = 400_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothPlan:
    """Teeth per screw, positive where it raises the bed, 0 at the reference; and the least range, mm.

    For one mesh teeth is `[k]` and range_mm a float; for a stack `[n, k]` and `[n]`.
    """

    teeth: Whole
    range_mm: float | Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShimPlan:
    """Thickness per mount `[k]`, mm, from stock, never negative; and the range after it, mm."""

    shims_mm: Floats
    range_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Settings to choose from: lift `[N, k]` in steps or mm, ordered so that of equals the first is preferred."""

    lift: Floats


def tooth_plan(
    z: Floats, influence: Floats, step_mm: float, reference: int, *, most_teeth: int = MOST_TEETH
) -> ToothPlan:
    """Least max − min of z + Σ n_i·step·L_i over whole n, |n_i| ≤ most_teeth, n = 0 at the reference; exact.

    z `[points]` or `[n, points]` (NaN where missing), influence L `[k, points]`, step_mm > 0. Of equal ranges the one
    with fewer teeth is taken, then the one with fewer screws turned. For four or more screws only settings count
    that leave every screw within 0.15 teeth of one plane. Raises ValueError for a step that is not positive.
    """
    if not step_mm > 0:
        raise ValueError(f"a tooth step must be above 0 mm; got {step_mm!r}")
    table = _tooth_table(*_geometry_key(influence), reference, most_teeth)
    if z.ndim == 1:
        at, width = _least_range(z, influence, table.lift, step_mm)
        return ToothPlan(teeth=table.lift[at].astype(np.int64), range_mm=width)
    found = [_least_range(one, influence, table.lift, step_mm) for one in z]
    picked = np.array([at for at, _ in found], dtype=np.intp)
    widths = np.array([width for _, width in found], dtype=np.float64)
    return ToothPlan(teeth=table.lift[picked].astype(np.int64), range_mm=widths)


def shim_plan(z: Floats, influence: Floats, stock_mm: Sequence[float]) -> ShimPlan:
    """Shims under the mounts that leave the least range: z `[points]` (NaN where missing), influence `[k, points]`.

    Every mount may be shimmed, the reference too; at least one has none, since lifting all alike changes nothing.
    Thicknesses are sums of up to four sheets of the stock (two on beds of more than four mounts). Among settings
    within 0.005 mm of the best the one with the fewest sheets is taken, then the thinnest.
    """
    table = _shim_table(*_geometry_key(influence), tuple(sorted(set(stock_mm))))
    at, width = _least_range(z, influence, table.lift, 1.0, min_gain_mm=SHIM_WORTH_MM)
    return ShimPlan(shims_mm=table.lift[at].copy(), range_mm=width)


def _least_range(
    z: Floats, influence: Floats, lift: Floats, step_mm: float, min_gain_mm: float = TIE_MM
) -> tuple[int, float]:
    """Index in the table and range of its first setting within min_gain_mm of the least range."""
    here = np.isfinite(z)
    heights, basis = z[here], influence[:, here] * step_mm
    alive = np.arange(lift.shape[0])
    lifts = lift
    high = np.full(alive.size, -np.inf)
    low = np.full(alive.size, np.inf)
    # The extremes of the affine functions stand on the rim, where a tilted bed has its own.
    points = {int(p) for row in basis for p in (row.argmin(), row.argmax())} | {
        int(heights.argmin()),
        int(heights.argmax()),
    }
    best = np.inf
    while True:
        for p in points:
            level = lifts @ basis[:, p] + heights[p]
            np.maximum(high, level, out=high)
            np.minimum(low, level, out=low)
        bound = high - low
        first = int(bound.argmin())
        whole = heights + lifts[first] @ basis
        top, bottom = int(whole.argmax()), int(whole.argmin())
        width = float(whole[top] - whole[bottom])
        best = min(best, width)
        keep = bound <= best + min_gain_mm
        if width <= bound[first] + TIE_MM / 2:
            break
        points = {top, bottom}
        alive, lifts, high, low = alive[keep], lifts[keep], high[keep], low[keep]
    return _first_of_equals(heights, basis, alive[keep], lifts[keep], best + min_gain_mm)


def _first_of_equals(
    heights: Floats, basis: Floats, alive: NDArray[np.intp], lifts: Floats, enough: float
) -> tuple[int, float]:
    block = max(1, 2_000_000 // heights.size)
    for start in range(0, alive.size, block):
        whole = lifts[start : start + block] @ basis + heights
        widths = whole.max(axis=1) - whole.min(axis=1)
        good = np.flatnonzero(widths <= enough)
        if good.size:
            return int(alive[start + good[0]]), float(widths[good[0]])
    raise AssertionError("the setting that gave the bound is always among those kept")


def _geometry_key(influence: Floats) -> tuple[int, bytes]:
    """The screws' geometry as far as a rigid bed needs it: the projection onto its planes at the screws `[k, k]`.

    The rows of L span the affine functions of the bed; what a set of lifts at the screws has outside that span twists
    the bed. Two screws, and three not in a line, cannot twist it.
    """
    k = influence.shape[0]
    if k <= 3:
        return k, b""
    left, size, _ = np.linalg.svd(influence @ influence.T)
    rank = int((size > size[0] * 1e-9).sum())
    projection = left[:, :rank] @ left[:, :rank].T
    # Rounded so that one geometry seen through two grids is one table.
    return k, (np.round(projection, 9) + 0.0).tobytes()


@lru_cache(maxsize=64)
def _tooth_table(k: int, projection: bytes, reference: int, most_teeth: int) -> _Table:
    count = np.arange(-most_teeth, most_teeth + 1, dtype=np.float64)
    movable = [i for i in range(k) if i != reference]
    if not projection:
        lift = np.zeros((count.size ** len(movable), k))
        for column, values in zip(movable, np.meshgrid(*[count] * len(movable), indexing="ij"), strict=True):
            lift[:, column] = values.ravel()
    else:
        lift = _untwisted(_rigid_teeth(k, projection, reference, count), projection, 1.0)
    teeth = np.abs(lift)
    order = np.lexsort(((teeth > 0).sum(axis=1), teeth.sum(axis=1)))
    return _Table(lift[order])


def _rigid_teeth(k: int, projection: bytes, reference: int, count: Floats) -> Floats:
    """Whole settings near a plane: teeth at the best-spread screws, and the whole numbers around it at the others."""
    planes = np.frombuffer(projection).reshape(k, k)
    left, size, _ = np.linalg.svd(planes)
    rank = int((size > 0.5).sum())
    span = left[:, :rank]
    movable = [i for i in range(k) if i != reference]
    # The widest base keeps the others' coefficients at 1 or less, so ±1 around the plane misses no setting.
    base = max(combinations(movable, rank - 1), key=lambda some: abs(np.linalg.det(span[[reference, *some]])))
    others = [i for i in movable if i not in base]
    chosen = np.stack([grid.ravel() for grid in np.meshgrid(*[count] * len(base), indexing="ij")], axis=1)
    targets = np.concatenate([np.zeros((chosen.shape[0], 1)), chosen], axis=1)
    on_plane = targets @ np.linalg.inv(span[[reference, *base]]).T @ span.T
    near = np.array(list(product((-1.0, 0.0, 1.0), repeat=len(others))))
    lift = np.zeros((chosen.shape[0], near.shape[0], k))
    lift[:, :, list(base)] = chosen[:, None, :]
    lift[:, :, others] = np.rint(on_plane[:, None, others]) + near[None]
    flat = lift.reshape(-1, k)
    kept: Floats = flat[(np.abs(flat) <= count[-1]).all(axis=1)]
    return kept


@lru_cache(maxsize=64)
def _shim_table(k: int, projection: bytes, stock_mm: tuple[float, ...]) -> _Table:
    sheets: dict[float, int] = {0.0: 0}
    for number in range(1, (SHEETS_A_MOUNT if k <= 4 else SHEETS_A_MOUNT_OF_MANY) + 1):
        more = dict(sheets)
        for some in combinations_with_replacement(stock_mm, number):
            more.setdefault(round(sum(some), 6), number)
        if len(more) ** k > MOST_SHIM_SETTINGS:
            break
        sheets = more
    if len(sheets) == 1:
        sheets = {0.0: 0} | dict.fromkeys(_spread_over(stock_mm, k), 1)
    thick = np.array(sorted(sheets))
    pieces = np.array([sheets[value] for value in thick.tolist()])
    which = np.stack([grid.ravel() for grid in np.meshgrid(*[np.arange(thick.size)] * k, indexing="ij")], axis=1)
    which = which[(which == 0).any(axis=1)]
    order = np.lexsort((thick[which].sum(axis=1), pieces[which].sum(axis=1)))
    lift = thick[which[order]]
    return _Table(_untwisted(lift, projection, stock_mm[0]) if projection and stock_mm else lift)


def _spread_over(stock_mm: tuple[float, ...], k: int) -> tuple[float, ...]:
    """So many thicknesses of a long list, evenly over it, as the table has room for on k mounts."""
    room = int(MOST_SHIM_SETTINGS ** (1.0 / k) + 1e-9) - 1
    places = np.linspace(0, len(stock_mm) - 1, min(room, len(stock_mm))).round().astype(int)
    return tuple(dict.fromkeys(stock_mm[place] for place in places.tolist()))


def _untwisted(lift: Floats, projection: bytes, unit: float) -> Floats:
    k = lift.shape[1]
    twist = np.eye(k) - np.frombuffer(projection).reshape(k, k)
    kept: Floats = lift[(np.abs(lift @ twist) <= TWIST * unit).all(axis=1)]
    return kept
