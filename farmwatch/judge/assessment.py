"""What farmwatch says of one machine at one time, and of the fleet. Values only.

The document of `assess --json` is made of these (`farmwatch.judge.document`); fields marked *not in the document*
serve screens and the report.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from farmwatch.judge.tables import Advice, Cause
from farmwatch.outcomes import Outcome
from farmwatch.times import rfc3339

if TYPE_CHECKING:
    from farmwatch.follow import Drift, Forecast, Step
    from farmwatch.history import OpenTicket
    from farmwatch.mesh import Mesh
    from farmwatch.model import Limits, Model

__all__ = [
    "Assessment", "Condition", "FleetAssessment", "FormFacts", "Plan", "ReadingFacts",
    "ScrewHeight", "Spike", "TiltFacts", "Trace",
]  # fmt: skip

Condition = Literal["ideal", "usable", "past-limit", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingFacts:
    """The reading that is shown."""

    taken_at: datetime
    time_from: str
    rows: int
    columns: int
    bed_celsius: float | None
    plate: str | None
    judged: bool
    why_not_judged: str = ""
    """In words, where not judged; *not in the document*."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltFacts:
    """Slope of the least-squares plane, mm per m; the side that stands higher (front, rear, left, right, or None)."""

    x_mm_per_m: float
    y_mm_per_m: float
    high_side: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFacts:
    """What is left when the plane is taken away (ISO 12781-1)."""

    flatness_ls_mm: float
    flatness_mz_mm: float
    rms_mm: float
    shape: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spike:
    """One point that its neighbours contradict; row and column count from 0 at the front left."""

    row: int
    column: int
    x_mm: float
    y_mm: float
    stands_off_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewHeight:
    """Height of the bed's plane at a screw, relative to the reference screw."""

    name: str
    height_mm: float
    sd_mm: float
    reference: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to turn and how far that gets; teeth positive where the screw must raise the bed."""

    teeth: dict[str, int]
    """Per movable screw; empty where the drive is free."""
    range_after_mm: float
    shims_mm: dict[str, float]
    range_after_shims_mm: float
    turn_mm: dict[str, float] = field(default_factory=dict)
    """Per movable screw, mm up (positive) or down: for drive = "free"; teeth x step for a belt."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """The history line of one machine, for screens; *not in the document*.

    Equal-length tuples, epoch seconds and mm.
    """

    at: tuple[float, ...]
    range_mm: tuple[float, ...]
    judged: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """Everything farmwatch says of one machine; None where it cannot be known, never a guess."""

    machine: str
    model: Model
    aisle: str = ""
    in_service: bool = True
    out_reason: str = ""
    out_until: datetime | None = None
    has_host: bool = True
    host_answered_at: datetime | None = None
    silent: bool = False
    """The host has not answered for too long, working hours counted; *not in the document*."""
    not_understood: bool = False
    """It answers, and for too long not with what its mapping expects; *not in the document*."""
    last_outcome: Outcome | None = None
    last_reason: str = ""
    reading: ReadingFacts | None = None
    mesh_old: bool = False
    mesh: Mesh | None = None
    judged_reading: ReadingFacts | None = None
    """The newest judgeable reading, where it is not the one shown."""
    judged_range_mm: float | None = None
    """The range that is judged, noise's share taken off, where it is of another reading or differs from the raw one."""
    range_mm: float | None = None
    range_sd_mm: float | None = None
    range_share_mm: float = 0.0
    """By how much noise makes its ranges read high, as far as that is taken off; *not in the document*."""
    tilt: TiltFacts | None = None
    form: FormFacts | None = None
    spikes: tuple[Spike, ...] = ()
    screws: tuple[ScrewHeight, ...] = ()
    tooth_floor_mm: float | None = None
    condition: Condition = "unknown"
    confirmed: bool = False
    since: datetime | None = None
    since_records_began: bool = False
    """It was so at the first reading there is: since when is not known."""
    cause: Cause = "none"
    suspected_cause: Cause | None = None
    """What it looks like while the cause is still unclear or unconfirmed; *not in the document*."""
    advice: tuple[Advice, ...] = ()
    at_tooth_floor: bool = False
    bent_by_screw: bool = False
    """One of its four screws is off the plane of the others, and bends the bed; *not in the document*."""
    step_learned: bool = False
    """Tooth step and turning sense are known from moves made on this machine; *not in the document*."""
    plan: Plan | None = None
    reasons: tuple[str, ...] = ()
    """How sure, and what would change our mind, in plain sentences; *not in the document*."""
    warnings: tuple[str, ...] = ()
    """Such as: the same mesh came from another machine; *not in the document*."""
    twins: tuple[str, ...] = ()
    """Machines whose newest mesh is the same to the last digit; *not in the document*."""
    drift: Drift | None = None
    suspected_step: Step | None = None
    steps: tuple[Step, ...] = ()
    repeated_jumps: tuple[Step, ...] = ()
    """Tooth jumps of a screw that jumped again within 90 days; *not in the document*."""
    forecast: Forecast | None = None
    trace: Trace | None = None
    ticket: OpenTicket | None = None

    @property
    def awaits_mesh(self) -> bool:
        """Whether its work is done and no judged mesh is later: by the mesh before the work nothing may be turned."""
        ticket = self.ticket
        if ticket is None or ticket.phase != "proving" or ticket.about_host or ticket.work_until is None:
            return False
        reading = self.judged_reading or self.reading
        return reading is None or not reading.judged or reading.taken_at <= ticket.work_until

    @property
    def condition_range_mm(self) -> float | None:
        """The range that the condition rests on, and the one to say first: of the newest mesh that may be judged.

        Out of service nothing is judged, and the newest mesh is all there is to say.
        """
        return self.judged_range_mm if self.in_service and self.judged_range_mm is not None else self.range_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetAssessment:
    """The whole farm at one time, in the order of the configuration."""

    at: datetime
    limits: Limits
    machines: tuple[Assessment, ...]

    def short_document(self, machines: Sequence[Assessment] | None = None) -> dict[str, Any]:
        """Every machine in short, as farmwatch.fleet/1; `machines`: in another order. What is not known is null."""
        return {
            "schema": "farmwatch.fleet/1",
            "at": rfc3339(self.at),
            "limits": {"usable_mm": self.limits.usable_mm, "ideal_mm": self.limits.ideal_mm},
            "machines": [
                {
                    "machine": m.machine,
                    "aisle": m.aisle,
                    "model": m.model.name,
                    "in_service": m.in_service,
                    "condition": m.condition,
                    "confirmed": m.confirmed,
                    "cause": m.cause,
                    "advice": list(m.advice),
                    "range_mm": None if m.range_mm is None else round(m.range_mm, 3),
                    # Only where it differs from the raw one, as in the assessment.
                    **({} if m.judged_range_mm is None else {"judged_range_mm": round(m.judged_range_mm, 3)}),
                    "taken_at": None if m.reading is None else rfc3339(m.reading.taken_at),
                    "mesh_old": m.mesh_old,
                    "silent": m.silent,
                    "ticket": None if m.ticket is None else m.ticket.document(),
                }
                for m in (self.machines if machines is None else machines)
            ],
        }
