"""A model of machine: its Z screws, drive and bed, and the limits a farm sets. Values only, no I/O.

Positions are mm in the mesh's own coordinates (x to the right, y to the rear, origin front left).
"""

import hashlib
from dataclasses import dataclass
from typing import Literal

__all__ = ["Drive", "Limits", "Model", "Screw", "TurningSense"]

Drive = Literal["belt", "free"]
TurningSense = Literal["raises", "lowers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """One Z screw: where it holds the bed, and whether it is the reference that is never turned."""

    name: str
    x_mm: float
    y_mm: float
    reference: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """What a farm says of one model of machine; None where it does not know."""

    name: str
    screws: tuple[Screw, ...]
    drive: Drive = "belt"
    lead_mm: float | None = None
    pulley_teeth: int | None = None
    clockwise: TurningSense | None = None
    """What a clockwise turn, seen from below, does to the bed at that screw."""
    bed: tuple[float, float, float, float] | None = None
    """x0, y0, x1, y1."""
    covered_share: float = 0.70
    """Least share of the bed's area that a mesh must span to be judged; the farm's, from its limits. Usual probing
    keeps a margin: 15 mm all round on 220 x 220 leaves 0.75 (common practice, no source)."""
    judge_from_celsius: float | None = None
    probe_sigma_mm: float | None = None
    shim_stock_mm: tuple[float, ...] = (0.05, 0.1, 0.2)

    @property
    def drive_mark(self) -> str:
        """Tells screws and drive from others: of where the screws are and what turns them, and of the step."""
        screws = sorted((one.name, one.x_mm, one.y_mm, one.reference) for one in self.screws)
        digest = hashlib.sha256(repr((self.drive, screws)).encode()).hexdigest()[:12]
        return f"{digest}:{self.tooth_step_mm}"

    @property
    def tooth_step_mm(self) -> float | None:
        """Rise of the bed at a screw per belt tooth: lead / pulley teeth (lead = pitch x starts, ISO 2904)."""
        if self.drive != "belt" or self.lead_mm is None or self.pulley_teeth is None:
            return None
        return self.lead_mm / self.pulley_teeth

    @property
    def screws_xy(self) -> tuple[tuple[float, float], ...]:
        """Where the screws stand, (x, y) of each, in their order."""
        return tuple((screw.x_mm, screw.y_mm) for screw in self.screws)

    @property
    def reference_index(self) -> int:
        """Index of the reference screw in `screws`."""
        return next(i for i, screw in enumerate(self.screws) if screw.reference)

    @property
    def movable(self) -> tuple[int, ...]:
        """Indices of the screws that may be turned, in their order."""
        return tuple(i for i, screw in enumerate(self.screws) if not screw.reference)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Common practice, no source: mesh compensation hides a range of about 0.2 mm and is happy below 0.1 mm."""

    usable_mm: float = 0.20
    ideal_mm: float = 0.10
    mesh_old_after_days: float = 14.0
    silent_after_hours: float = 24.0
    covered_share: float = 0.70
    """Least share of the bed's area that a mesh must span to be judged; each model carries it."""
