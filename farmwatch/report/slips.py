"""A slip for each machine whose work only waits for its check, and the cautions in short for slips and sheets. Pure.

A machine whose work is done gets no moves: whoever turned a tooth on the mesh from before the work would turn it twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from farmwatch.judge import Assessment
from farmwatch.report.groups import is_checked_since
from farmwatch.text import day_of
from farmwatch.tickets import Ticket

__all__ = ["SHEET_CAUTIONS", "CheckSlip", "check_slip"]

SHEET_CAUTIONS: tuple[str, ...] = (
    (
        "Bed and nozzle cold. Bed clear of the nozzle, unless the work needs it homed. Switch off, pull the plug, then "
        "reach in."
    ),
    "With motors or belt released the bed can drop: block it. Fingers out of the belt path.",
    "Two people to tip a heavy machine, on a padded, clear floor. Glass and loose parts out first, cables free.",
    (
        "Never turn the reference screw. Mark the screws first. Turn smoothly, guard the screw from tool teeth, grip "
        "only where the nut doesn't travel."
    ),
    "Don't overtighten screws in plastic or heat-set inserts. Restore and check the belt's tension before power.",
    (
        "After any turn or shim: home, and set the nozzle height anew before heating or printing (one tooth can drive "
        "the bed 0.4 mm into the nozzle). First mesh with a hand on the power switch."
    ),
    "Shims are metal and heat-proof, and lie flat.",
    (
        "farmwatch only reads: it sends no motion or heat, and never replaces looking. The maker's manual, local rules "
        "and licensed electrical practice come first."
    ),
)
"""The cautions in short, as they stand on every sheet before its moves; common practice of the trade, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSlip:
    """A machine whose work is done and not yet shown to hold: to be probed, not turned."""

    machine: str
    aisle: str
    ticket: int
    done: str
    """The day on which the work was done."""
    range_mm: float | None
    checked: bool
    """A mesh later than the work has been read; another one decides."""


def check_slip(machine: Assessment, ticket: Ticket, zone: tzinfo) -> CheckSlip:
    """The slip of a machine whose ticket waits for its check."""
    return CheckSlip(
        machine=machine.machine,
        aisle=machine.aisle,
        ticket=ticket.number,
        done="" if ticket.work_until is None else day_of(ticket.work_until, zone, year=False),
        range_mm=machine.condition_range_mm,
        checked=is_checked_since(machine, ticket),
    )
