"""What the store hands out beside readings. Values only; times are aware, UTC."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from farmwatch.history import TimeFrom
from farmwatch.model import Model
from farmwatch.outcomes import Outcome

__all__ = [
    "Ahead",
    "AsideKind",
    "Claim",
    "Entry",
    "FailingDeliveries",
    "KeptAnswer",
    "LastAnswer",
    "LastMesh",
    "LearnedDrift",
    "Move",
    "PageChange",
    "PollRecord",
    "Run",
    "SaidForecast",
    "StoreKind",
    "standing",
]


def standing(actions: Sequence[str]) -> list[int]:
    """Of what was done to one ticket, in that order, the places of what was not undone; an `undo` does not stand."""
    found: list[int] = []
    for i, action in enumerate(actions):
        if action != "undo":
            found.append(i)
            continue
        for k in range(len(found) - 1, -1, -1):
            # New numbers came in between; they stay.
            if actions[found[k]] != "refresh":
                del found[k]
                break
    return found


_LENGTH = struct.Struct("<Q")

StoreKind = Literal["ok", "waiting", "full", "read-only", "damaged", "newer", "failing"]
"""waiting: another process holds the database; failing: anything else that it said."""


AsideKind = Literal["readings", "notes", "moves"]
"""What a person can set aside and put back in."""


# Steps of one drive differ by no more: belts and screws do, and the probe.
SAME_STEP_SHARE = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A reading, note or move of a machine, as one chooses it to be set aside or put back in."""

    kind: AsideKind
    machine: str
    at: datetime
    said: str
    """What it is: the range of a reading, a note's words, the turn of a move."""
    why: str | None = None
    """Why it was set aside; None while it counts."""
    by: str = ""
    aside_since: datetime | None = None
    """Who set it aside and when; empty and None where it came so with an import."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PollRecord:
    """One try at one machine: when, what came of it, why (a technician's words, no secrets), how long it took."""

    machine: str
    at: datetime
    outcome: Outcome
    reason: str = ""
    seconds: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LastMesh:
    """The newest reading of a machine, by what is needed to know the same mesh again."""

    machine: str
    taken_at: datetime
    seen_at: datetime
    time_from: TimeFrom
    digest: str
    """`Mesh.digest()` of it."""
    counts: bool = True
    """Whether it is not set aside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastAnswer:
    """The last try at a machine, and when its host last answered and last was understood (`OutcomeRow`)."""

    machine: str
    polled_at: datetime
    outcome: Outcome
    reason: str
    answered_at: datetime | None = None
    understood_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One turn of one screw during a realignment, and what the next mesh showed of it. Lengths mm, times UTC."""

    machine: str
    ticket: int | None = None
    at: datetime
    by: str = ""
    screw: str
    teeth: int | None = None
    """Whole teeth, positive for clockwise seen from below, whatever that does to the bed; None for a free drive."""
    mm: float | None = None
    """Rise that was meant: a free drive's own figure, or the teeth times the step believed in then."""
    before_at: datetime
    """When the mesh was taken that the move was read from."""
    after_at: datetime | None = None
    """When the first mesh after it was taken; None while it is still to come."""
    moved_mm: float | None = None
    """What the screw's height really did, relative to the reference."""
    moved_sd_mm: float | None = None
    range_before_mm: float
    range_after_mm: float | None = None
    read_by: str | None = None
    """The mark of the mapping that read the meshes which showed it; None where that is not known."""
    made_with: str | None = None
    """The mark of screws and drive that its machine's model had then; None where that is not known."""

    def counts_for(self, model: Model) -> bool:
        """Whether it says anything of a machine with the screws and drive of that model.

        Of the same screws, with another lead or pulley in the configuration, it does where it shows the step that
        stands there now: then what was written down was put right, and nothing was built.
        """
        if self.screw not in {screw.name for screw in model.screws}:
            return False
        if self.made_with is None or self.made_with == model.drive_mark:
            return True
        step = model.tooth_step_mm
        if self.made_with.partition(":")[0] != model.drive_mark.partition(":")[0]:
            return False
        if step is None:
            return True
        if not self.teeth or self.moved_mm is None:
            return False
        return abs(abs(self.moved_mm / self.teeth) - step) <= SAME_STEP_SHARE * step


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A guided realignment has claimed a machine; polls leave it alone meanwhile."""

    machine: str
    session: str
    by: str
    since: datetime
    seen_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One entry of the last-run record: what ran (a report, a backup), when, and a word on it."""

    name: str
    at: datetime
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SaidForecast:
    """What was said of one machine in one ISO week ("2026-W47"), and what came of it.

    `p10`, `p50`, `p90`: days from `said_at`, None where later than the horizon.
    """

    machine: str
    week: str
    said_at: datetime
    chance: float
    p10: float | None
    p50: float | None
    p90: float | None
    horizon_days: int
    passed_at: datetime | None = None
    """When the first reading past the limit was taken, where the machine came there by itself."""
    ended_at: datetime | None = None
    """When something else happened first (work, a jump, a plate), after which there is nothing to judge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LearnedDrift:
    """How common each kind of drift is among the machines of one model, by the kind's name; the weights sum to 1."""

    model: str
    learned_at: datetime
    machines: int
    """How many machines it was learned from."""
    weights: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FailingDeliveries:
    """Letters that could not be delivered for an hour or longer."""

    number: int
    since: datetime
    """When the oldest of them was put into the outbox."""
    fault: str
    """Why the last try failed, without secrets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAnswer:
    """A host's answer, kept beside the reading that was made of it."""

    machine: str
    taken_at: datetime
    digest: str
    """`Mesh.digest()` of that reading."""
    range_mm: float
    """Its range."""
    answer: bytes
    """As `packed` made it."""

    @property
    def parts(self) -> list[bytes]:
        """The answer itself, then those of the mapping's `also`."""
        whole = zlib.decompress(self.answer)
        found, place = [], 0
        while place < len(whole):
            end = place + _LENGTH.size + _LENGTH.unpack_from(whole, place)[0]
            found.append(whole[place + _LENGTH.size : end])
            place = end
        return found

    @staticmethod
    def packed(parts: Sequence[bytes]) -> bytes:
        """Parts of an answer as one, compressed."""
        return zlib.compress(b"".join(_LENGTH.pack(len(part)) + part for part in parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class PageChange:
    """One change asked for through the pages. `key` is its form's; `outcome` None while it is being done."""

    key: str
    at: datetime
    who: str
    role: str
    from_where: str
    """The address of the browser."""
    what: str
    about: str
    outcome: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """How many entries lie ahead of the clock, by what they are; the machines, and the latest of their times."""

    counts: Mapping[str, int] = field(default_factory=dict)
    """By `readings`, `notes`, `polls`, `ticket_events`; without those of which there are none."""
    machines: tuple[str, ...] = ()
    latest: datetime | None = None
