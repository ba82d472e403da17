"""An errand: what the service has done in a process of its own, the night's work and the reports.

An assessment of the whole farm takes memory that comes back only when a process ends, and its work must not slow the
polls. `sending` starts the process, `child` runs in it, `doing` does the work.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from farmwatch.config import Settings
from farmwatch.report.week import Week

__all__ = ["ASSESSMENT", "FIRST_LOOK", "Errand", "Kind"]

Kind = Literal["night", "week", "first-look", "refresh"]
ASSESSMENT = "assessment"
"""Name in the last-run record of the counts by condition, as last assessed."""
FIRST_LOOK = "report/first-look"
"""Name in the last-run record of the report of a first start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """What to do, for which farm, as of when (aware)."""

    kind: Kind
    settings: Settings
    at: datetime
    week: Week | None = None
    """Of a report."""
    night: date | None = None
    """Of a night's work."""
