"""Puts the parts together: walk the answer, weigh what can be heights, find what belongs to them, read it as proposed.

A proposal is only made where the mapping reads the very answer it was made from.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

from farmwatch.collect.body import json_document, text_rows
from farmwatch.collect.faults import PollError
from farmwatch.collect.grid import MOST_POINTS
from farmwatch.collect.mapping import HostMesh, Reader
from farmwatch.collect.proposal.candidates import SHORTEST, Candidate, as_array, candidates
from farmwatch.collect.proposal.inventory import Inventory, Path, take_inventory
from farmwatch.collect.proposal.plausible import Plausibility, plausibility, unit_of
from farmwatch.collect.proposal.related import Axis, axis_choices, related_fields
from farmwatch.config import FILL_IN, Mapping

__all__ = ["Proposal", "propose"]

# Read and shown are only the best: the rest is told apart by its score alone.
MOST_READ = 8
# Of what could be coordinates and does not fit.
MOST_LIKE = 3
# What a look makes do with where nothing is known: a place every 10 mm. It never gets into a block.
STEP_MM = 10.0
# No configuration takes these: coordinates that nobody wrote down must not be pasted through.
_TO_FILL_IN = {"x": f"{FILL_IN}: [left, right] in mm", "y": f"{FILL_IN}: [front, rear] in mm"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """One way to read the answer: the mapping's keys, what it reads, why, and what a person must look at."""

    fields: dict[str, Any]
    """Keys of the mapping, those that differ from their defaults; without path, headers and query. An `x` or `y` that
    the answer does not tell is a text that the configuration refuses."""
    found: HostMesh
    """The answer read as proposed; along the axes `made_up` with coordinates that only serve to look at it."""
    made_up: tuple[str, ...]
    """Which of x and y the answer does not tell."""
    score: float
    """Only good for comparing proposals of one answer."""
    reasons: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()


def propose(body: bytes, content_type: str = "") -> list[Proposal]:
    """Ways to read `body`, best first; empty where nothing in it can be a mesh.

    Work is bounded whatever the answer. Raises PollError (`garbled`, `no-mesh`) where it is neither JSON nor a grid of
    text. `content_type` only decides which of the two faults is told.
    """
    try:
        document = json_document(body)
    except PollError as no_json:
        try:
            return _of_text(body)
        except PollError as no_text:
            raise (no_text if content_type.startswith(("text/plain", "text/csv")) else no_json) from None
    inventory = take_inventory(document)
    units = {path: unit for path, value in inventory.scalars if isinstance(value, str) and (unit := unit_of(value))}
    weighed = [(found, weight) for found in candidates(inventory) if (weight := plausibility(found, units)) is not None]
    finished = [_finished(inventory, *item) for item in sorted(weighed, key=lambda item: -item[1].score)[:MOST_READ]]
    proposals = [proposal for draft in finished for proposal in _read(draft, body)]
    return sorted(proposals, key=lambda proposal: -proposal.score)


@dataclass(slots=True)
class _Draft:
    fields: dict[str, Any]
    score: float
    reasons: list[str]
    unsure: list[str]
    stand_in: dict[str, tuple[float, float]] = field(default_factory=dict)
    """What to read with in the place of coordinates that are to be filled in."""


def _read(draft: _Draft, body: bytes) -> Iterator[Proposal]:
    try:
        found = Reader(Mapping(name="proposed", path="/", **draft.fields | draft.stand_in)).read(body)
    except (PollError, ValueError):
        # ValueError is pydantic's too: a path longer than a configuration takes.
        return
    yield Proposal(
        fields=draft.fields,
        found=found,
        made_up=tuple(sorted(draft.stand_in)),
        score=draft.score,
        reasons=tuple(draft.reasons),
        unsure=tuple(draft.unsure),
    )


def _finished(inventory: Inventory, candidate: Candidate, weight: Plausibility) -> _Draft:
    draft = _Draft(dict(candidate.fields), weight.score, list(weight.reasons), list(weight.unsure))
    if candidate.axes is None:
        _add_axes(draft, candidate, axis_choices(inventory, candidate.path))
        if weight.serpentine:
            draft.fields["serpentine"] = True
    else:
        draft.score += 1.0
    if weight.unit != "mm":
        draft.fields["unit"] = weight.unit
    beside = related_fields(inventory, candidate.path)
    draft.fields |= beside.fields
    draft.reasons += beside.reasons
    draft.unsure += beside.unsure
    if not inventory.whole:
        draft.unsure.append("the answer is so large that not all of it was looked at")
    draft.unsure.append('sign: is the high corner of the map where the bed is high? Else sign = "bed-down"')
    return draft


def _add_axes(draft: _Draft, candidate: Candidate, choices: list[Axis]) -> None:
    """Coordinates along x and y, and with them the order of the runs and the corner of the first."""
    runs, along = candidate.runs.shape
    ways = [("along-x", along, runs), ("along-y", runs, along)]
    best = None
    for order, columns, rows in ways if candidate.layout == "rows" else ways[:1]:
        x, y = _best_pair(choices, columns, rows)
        rank = sum(axis.rank + (axis.label != "") for axis in (x, y) if axis is not None)
        if best is None or rank > best[0]:
            best = (rank, order, columns, rows, x, y)
    if best is None:
        return
    _, order, columns, rows, x, y = best
    if order != "along-x":
        draft.fields["order"] = order
    elif candidate.layout == "rows" and columns == rows:
        draft.unsure.append('order: do the rows of the answer run along x? Else order = "along-y"')
    corner = []
    for name, axis, count, sides in (("y", y, rows, ("front", "rear")), ("x", x, columns, ("left", "right"))):
        corner.append(sides[_add_axis(draft, name, axis, count, choices)])
    draft.unsure.append(f"first: is the first height that of the {'-'.join(corner)} corner?")
    if corner != ["front", "left"]:
        draft.fields["first"] = "-".join(corner)


def _add_axis(draft: _Draft, name: str, axis: Axis | None, count: int, choices: list[Axis]) -> bool:
    """Enter one axis; True where its coordinates fall, so that the first height stands at the far side."""
    if axis is None or axis.only_size:
        draft.fields[name] = _TO_FILL_IN[name]
        draft.stand_in[name] = (axis.values[0], axis.values[-1]) if axis else (0.0, STEP_MM * (count - 1))
    else:
        draft.fields[name] = axis.given
        draft.reasons.append(f"{name}: {axis.where}")
    if axis is None:
        like = ", ".join(dict.fromkeys(one.where for one in _ranked(choices, name)[:MOST_LIKE]))
        draft.unsure.append(
            f"{name}: not recognised{f' (not {count} along it: {like})' if like else ''}; "
            "write the first and last probed position in mm in its place"
        )
        return False
    # Coordinates beside the heights, as many as there are, speak for the heights.
    draft.score += (2.0 if len(axis.values) == count else 1.0) * min(1.0, axis.rank / 2) * (0.5 + 0.5 * (axis.near > 0))
    if axis.unsure:
        draft.unsure.append(axis.unsure)
    elif not axis.label:
        draft.unsure.append(f"{name}: {axis.where}, and nothing says that they are {name}")
    return axis.values[0] > axis.values[-1]


def _best_pair(choices: list[Axis], columns: int, rows: int) -> tuple[Axis | None, Axis | None]:
    """The best x and the best y of the choices; one list without a name is not taken for both."""
    x = next((axis for axis in _ranked(choices, "x") if axis.fits(columns)), None)
    y = next((axis for axis in _ranked(choices, "y") if axis.fits(rows) and axis is not x), None)
    return x, y


def _ranked(choices: list[Axis], name: str) -> list[Axis]:
    fitting = [axis for axis in choices if axis.label in (name, "")]
    return sorted(fitting, key=lambda axis: (-(axis.near + 2 * axis.rank), axis.label == ""))


def _of_text(body: bytes) -> list[Proposal]:
    rows = text_rows(body)
    if any(len(row) != len(rows[0]) for row in rows):
        raise PollError("garbled", "the answer is neither JSON nor a grid of numbers: its rows are not equally long")
    values = as_array(list(chain.from_iterable(rows)))
    if values is None or min(len(rows), len(rows[0])) < SHORTEST or values.size > MOST_POINTS:
        return []
    grid = values.reshape(len(rows), -1)
    path: Path = ()
    candidate = Candidate(
        path=path, layout="rows", fields={"answer": "text"}, runs=grid,
        reasons=[f"{grid.shape[0]} lines of {grid.shape[1]} numbers"],
    )  # fmt: skip
    weight = plausibility(candidate, {})
    return [] if weight is None else list(_read(_finished(Inventory(), candidate, weight), body))
