"""A reading, and one machine's readings as arrays: what the store hands to the core. Values only, no I/O."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from farmwatch.mesh import Floats, Mesh
from farmwatch.times import rfc3339

__all__ = [
    "COLDEST_CELSIUS",
    "HOTTEST_CELSIUS",
    "CelsiusIs",
    "History",
    "Note",
    "NoteKind",
    "OpenTicket",
    "OutOfService",
    "Reading",
    "Stack",
    "TimeFrom",
    "Work",
]

TimeFrom = Literal["host", "seen", "unknown", "file"]
"""host: the host's own time; seen: when we first saw it; file: imported;
unknown: the first mesh of a host without times."""

CelsiusIs = Literal["at-probing", "now"]

COLDEST_CELSIUS, HOTTEST_CELSIUS = -60.0, 500.0
"""No bed is colder or hotter; a temperature beyond is another quantity or another unit."""

NoteKind = Literal["belt", "pulley", "plate", "probe", "nozzle", "moved", "replaced", "other"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """One mesh of one machine at one time, as stored. Times are aware, UTC."""

    machine: str
    taken_at: datetime
    seen_at: datetime
    time_from: TimeFrom
    mesh: Mesh
    bed_celsius: float | None = None
    celsius_is: CelsiusIs = "at-probing"
    plate: str | None = None
    during_work: bool = False
    """Taken while a ticket of the machine was in work: enters no trend, step, noise or proof."""
    read_by: str | None = None
    """The mark of the mapping that read it; None where that is not known."""
    set_aside: str | None = None
    """Why a person set it aside: kept and shown, and nothing else; None while it counts."""
    answer: bytes | None = None
    """The host's answer, compressed, on its way into the store; a stored reading does not bring it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What a person said was done at a machine."""

    machine: str
    at: datetime
    what: NoteKind
    by: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfService:
    """A machine taken out of service; `until` is None while nobody has said when it is back."""

    machine: str
    since: datetime
    reason: str
    until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A span in which a ticket of the machine was in work; `end` is None while it still is."""

    ticket: int
    start: datetime
    end: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenTicket:
    """A machine's open ticket as it stood at some time: about its bed, else about its host."""

    machine: str
    number: int
    phase: str
    since: datetime
    """When it came into that phase."""
    owner: str = ""
    """Who has it: who took it last, or whom it was given to; empty where nobody did."""
    about_host: bool = False
    work_until: datetime | None = None
    """When its work was last said to be done."""

    def document(self) -> dict[str, Any]:
        """As it stands in every document of machines."""
        return {
            "number": self.number,
            "phase": self.phase,
            "owner": self.owner or None,
            "since": rfc3339(self.since),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Readings of one machine that share one grid: x `[c]`, y `[r]`, z `[n, r, c]` (NaN missing), index `[n]`.

    `index` says where each stands in the history's time order.
    """

    x: Floats
    y: Floats
    z: Floats
    index: NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """All readings of one machine, ascending in `taken_at`; every array is `[n]`, times are UTC epoch seconds."""

    machine: str
    taken_at: Floats
    seen_at: Floats
    time_from: NDArray[np.object_]
    bed_celsius: Floats
    """NaN where unknown."""
    celsius_is_now: NDArray[np.bool_]
    """True where the temperature was read at poll time, not at probing: shown, never reasoned with."""
    plate: NDArray[np.object_]
    """str, or None where unknown."""
    during_work: NDArray[np.bool_]
    stacks: tuple[Stack, ...]
    notes: tuple[Note, ...] = ()
    works: tuple[Work, ...] = ()
    out_of_service: tuple[OutOfService, ...] = ()

    def __len__(self) -> int:
        return int(self.taken_at.size)

    def ranges(self) -> Floats:
        """Range of each reading `[n]`, mm: highest minus lowest height present, never smoothed."""
        ranges = np.full(len(self), np.nan)
        for stack in self.stacks:
            flat = stack.z.reshape(len(stack.z), -1)
            ranges[stack.index] = np.fmax.reduce(flat, axis=1) - np.fmin.reduce(flat, axis=1)
        return ranges

    def mesh(self, i: int) -> Mesh:
        """The mesh of reading `i` of the time order (negative counts from the end)."""
        i = i % len(self)
        for stack in self.stacks:
            hit = np.flatnonzero(stack.index == i)
            if hit.size:
                return Mesh(stack.x, stack.y, stack.z[int(hit[0])])
        raise IndexError(i)

    def until(self, epoch: float) -> History:
        """The same history with only the readings and notes at or before `epoch` (UTC seconds)."""
        keep = self.taken_at <= epoch
        return self.select(keep, notes=tuple(n for n in self.notes if n.at.timestamp() <= epoch))

    def select(self, keep: NDArray[np.bool_], **changes: Any) -> History:
        """The history with only the readings where `keep` `[n]` is true."""
        place = np.cumsum(keep) - 1
        stacks = []
        for stack in self.stacks:
            inside = keep[stack.index]
            if inside.any():
                stacks.append(Stack(stack.x, stack.y, stack.z[inside], place[stack.index[inside]]))
        fields: dict[str, Any] = {
            "machine": self.machine,
            "taken_at": self.taken_at[keep],
            "seen_at": self.seen_at[keep],
            "time_from": self.time_from[keep],
            "bed_celsius": self.bed_celsius[keep],
            "celsius_is_now": self.celsius_is_now[keep],
            "plate": self.plate[keep],
            "during_work": self.during_work[keep],
            "stacks": tuple(stacks),
            "notes": self.notes,
            "works": self.works,
            "out_of_service": self.out_of_service,
        }
        return History(**{**fields, **changes})

    @classmethod
    def of(
        cls, machine: str, readings: list[Reading], notes: tuple[Note, ...] = (), works: tuple[Work, ...] = ()
    ) -> History:
        """Gather readings (any order) into arrays."""
        rows = sorted(readings, key=lambda reading: reading.taken_at)
        groups: dict[tuple[bytes, bytes], list[int]] = {}
        for i, reading in enumerate(rows):
            groups.setdefault((reading.mesh.x.tobytes(), reading.mesh.y.tobytes()), []).append(i)
        stacks = tuple(
            Stack(
                rows[members[0]].mesh.x,
                rows[members[0]].mesh.y,
                np.stack([rows[i].mesh.z for i in members]),
                np.array(members, dtype=np.intp),
            )
            for members in groups.values()
        )
        return cls(
            machine=machine,
            taken_at=np.array([r.taken_at.timestamp() for r in rows], dtype=np.float64),
            seen_at=np.array([r.seen_at.timestamp() for r in rows], dtype=np.float64),
            time_from=np.array([r.time_from for r in rows], dtype=object),
            bed_celsius=np.array([np.nan if r.bed_celsius is None else r.bed_celsius for r in rows], dtype=np.float64),
            celsius_is_now=np.array([r.celsius_is == "now" for r in rows], dtype=bool),
            plate=np.array([r.plate for r in rows], dtype=object),
            during_work=np.array([r.during_work for r in rows], dtype=bool),
            stacks=stacks,
            notes=notes,
            works=works,
        )
