"""The meshes of a machine: every one in a list, any of them drawn, two of them and what is between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from flask import Response, request, url_for

from farmwatch.errors import InputError
from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.model import Model
from farmwatch.pages.app import source
from farmwatch.pages.changes import change, typed
from farmwatch.pages.look import page
from farmwatch.report.shared import contour_sheet
from farmwatch.text import clock
from farmwatch.times import from_micros, micros

__all__ = ["difference", "mesh", "meshes", "put_back_in", "set_aside"]

ON_A_PAGE = 40
_NO_TIME = "There is no mesh of that time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One mesh in the list; `why` where it was set aside."""

    of: Reading
    why: str
    by: str

    @property
    def when(self) -> int:
        """Its time as it stands in an address: microseconds since 1970."""
        return micros(self.of.taken_at)


def meshes(name: str) -> Response:
    """The list, the newest on top."""
    machine = _machine(name)
    before = _moment(request.args.get("before"))
    store = source().store
    with store.one_state():
        found = store.readings_of(machine, until=before, most=ON_A_PAGE + 1, aside=True)
        aside = {entry.at: entry for entry in store.entries("readings", machine) if entry.why is not None}
    lines = [
        Line(of=one, why=entry.why or "", by=entry.by) if (entry := aside.get(one.taken_at)) else _plain(one)
        for one in found
    ]
    return page("meshes.html", name=machine, lines=lines[:ON_A_PAGE], more=lines[ON_A_PAGE:])


def mesh(name: str, when: int) -> Response:
    """One mesh, as it was read."""
    machine = _machine(name)
    one = _read(machine, when)
    model = _model(machine)
    aside = [entry for entry in source().store.entries("readings", machine, one.taken_at, one.taken_at) if entry.why]
    return page(
        "mesh.html",
        name=machine,
        one=one,
        when=when,
        aside=aside[-1] if aside else None,
        bed=contour_sheet(one.mesh, model, key="bed", title=f"Bed of {machine}"),
        rows=_rows(one.mesh),
    )


def difference(name: str) -> Response:
    """Two meshes side by side and what is between them."""
    machine = _machine(name)
    first, second = (_read(machine, _number(request.args.get(key, ""))) for key in ("a", "b"))
    if first.taken_at > second.taken_at:
        first, second = second, first
    between, fault = _between(first.mesh, second.mesh)
    zone, model = source().settings().farm.timezone, _model(machine)
    sheets = [
        (
            clock(one.taken_at, zone),
            contour_sheet(one.mesh, model, key=key, title=f"Bed at {clock(one.taken_at, zone)}"),
        )
        for key, one in (("a", first), ("b", second))
    ]
    drawn = (
        None if between is None else contour_sheet(between, model, key="between", title="The later less the earlier")
    )
    return page(
        "difference.html", name=machine, sheets=sheets, between=between, drawn=drawn, fault=fault,
        first=first, second=second,
    )  # fmt: skip


def set_aside(name: str, when: int) -> Response:
    """Let one mesh count for nothing; it stays, with the reason."""
    machine, at = _machine(name), from_micros(when)
    why = typed("why", "The reason", needed=True)

    def do(who: str) -> str:
        farm = source()
        if not farm.store.set_aside("readings", machine, (at, at), why=why, by=who, at=farm.clock()):
            raise InputError("it is set aside already, or not there")
        return (
            f"{machine}: the mesh of {clock(at, farm.settings().farm.timezone)} is set aside; judged without it soon."
        )

    return change("set aside", machine, do, url_for("mesh", name=machine, when=when))


def put_back_in(name: str, when: int) -> Response:
    """Let it count again."""
    machine, at = _machine(name), from_micros(when)

    def do(who: str) -> str:
        farm = source()
        if not farm.store.put_back_in("readings", machine, (at, at), by=who, at=farm.clock(), why=typed("why", "Why")):
            raise InputError("it counts already, or is not there")
        return f"{machine}: the mesh of {clock(at, farm.settings().farm.timezone)} counts again."

    return change("put back in", machine, do, url_for("mesh", name=machine, when=when))


def _machine(name: str) -> str:
    return source().settings().machine(name).name


def _model(machine: str) -> Model:
    settings = source().settings()
    return settings.models[settings.machine(machine).model]


def _plain(one: Reading) -> Line:
    return Line(of=one, why="", by="")


def _number(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 18):
        raise InputError(f"{_NO_TIME}; tick two of the list")
    return int(text)


def _moment(text: str | None) -> datetime | None:
    return None if text is None else from_micros(_number(text))


def _read(machine: str, when: int) -> Reading:
    at = from_micros(when)
    found = source().store.readings_of(machine, at, at, most=1, aside=True)
    if not found:
        raise InputError(f"{_NO_TIME}.")
    return found[0]


def _between(first: Mesh, second: Mesh) -> tuple[Mesh | None, str]:
    """The later mesh less the earlier, point by point; None and why where they share too few points."""
    if first.z.shape != second.z.shape or not (np.allclose(first.x, second.x) and np.allclose(first.y, second.y)):
        return None, "They were probed at other points, so there is nothing to subtract."
    z = second.z - first.z
    if np.isfinite(z).sum() < 3:
        return None, "They share fewer than three points."
    return Mesh(second.x, second.y, z), ""


def _rows(mesh: Mesh) -> list[tuple[float, list[float | None]]]:
    """The heights as a table, the rear row on top as one faces the machine; empty where it is too fine to read."""
    if max(mesh.z.shape) > 15:
        return []
    return [
        (float(y), [None if math.isnan(z) else float(z) for z in row])
        for y, row in zip(mesh.y[::-1], mesh.z[::-1], strict=True)
    ]
