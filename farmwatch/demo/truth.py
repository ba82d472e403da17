"""What is true in the invented farm: how each bed lies, what happened to it, and what a right judgement says of it.

The simulated hosts are driven by `BedTruth` and `HostTruth`; nothing outside this package and its tests reads them, and
farmwatch itself never sees `Expected`. Heights are mm as of the Monday morning on which the history ends ("the end");
moments are days before it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from farmwatch.demo.forms import FormKind
from farmwatch.history import NoteKind

__all__ = [
    "BedForm",
    "BedTruth",
    "Deed",
    "Group",
    "HostTruth",
    "Lift",
    "MachineTruth",
    "NoteTruth",
    "OutTruth",
    "PlateSwap",
    "Sink",
    "TicketDeed",
]  # fmt: skip

Deed = Literal["approve", "take", "done", "accept"]
Group = Literal["hands", "seems", "ahead", "well"]
"""needs hands at the drive or plate; is not what it seems; is coming or out of sight; nothing wrong."""


@dataclass(frozen=True, slots=True)
class BedForm:
    """A bent surface, peak to valley `mm` over the mesh."""

    kind: FormKind = "bowl"
    mm: float = 0.03


@dataclass(frozen=True, slots=True)
class Lift:
    """The bed rises by `mm` at one screw, at once (a jumped tooth, or the repair of one)."""

    days_before: float
    screw: str
    mm: float


@dataclass(frozen=True, slots=True)
class Sink:
    """The bed moves slowly at one screw, since `days_before` or (None) always."""

    screw: str
    mm_per_week: float
    days_before: float | None = None


@dataclass(frozen=True, slots=True)
class PlateSwap:
    """Another build plate goes on."""

    days_before: float
    plate: str
    form: BedForm


@dataclass(frozen=True, slots=True, kw_only=True)
class BedTruth:
    """How one bed lies. `stands_mm` is the height at each screw at the end; what happened is taken back before it."""

    stands_mm: dict[str, float] = field(default_factory=dict)
    plate: str = "A"
    plate_form: BedForm = BedForm()
    frame_form: BedForm = BedForm("flat", 0.0)
    lifts: tuple[Lift, ...] = ()
    sinks: tuple[Sink, ...] = ()
    swaps: tuple[PlateSwap, ...] = ()
    turned_days_before: float | None = None
    """Since then the plate lies turned by half a turn."""
    spikes_days_before: float | None = None
    """Since then the probe misreads one point of every mesh."""
    spike_mm: float = 0.45
    cold_days_before: float | None = None
    """Since then the bed is probed cold, and sags a little otherwise."""
    meshed_until_days_before: float | None = None
    """Nobody has probed the bed since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HostTruth:
    """How one host behaves."""

    silent_days_before: float | None = None
    rubbish_days_before: float | None = None
    answers_for: str | None = None
    """The machine whose mesh this host really gives."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTruth:
    """What a person writes down."""

    days_before: float
    what: NoteKind
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutTruth:
    """The machine is taken out of service."""

    days_before: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketDeed:
    """What a person does with the machine's open ticket; nothing where it has none then."""

    days_before: float
    deed: Deed
    limit_mm: float | None = None
    """Accepted up to this range."""
    until_days_after: float | None = None
    """Accepted until so many days after the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineTruth:
    """One machine of the farm, whole."""

    name: str
    aisle: str
    model: str
    mapping: str
    group: Group
    short: str
    """What is true of it in a few words."""
    story: str
    """And in a sentence."""
    bed: BedTruth
    host: HostTruth
    notes: tuple[NoteTruth, ...]
    deeds: tuple[TicketDeed, ...]
    out: OutTruth | None
