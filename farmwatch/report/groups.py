"""Which machine stands where at one time: needs work, awaits its check, is as good as teeth allow, ... Pure.

Every page counts and lists from these groups, so that the numbers of a report add up: a machine in service past the
limit is in exactly one of `needing`, `awaiting`, `floor` and `accepted`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from farmwatch.judge import Assessment, FleetAssessment
from farmwatch.report.ticket_facts import accepted_machines, open_tickets
from farmwatch.tickets import Ticket

__all__ = ["Groups", "is_checked_since", "is_past", "sort_machines", "worst_first"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """The farm sorted at one time; every sequence is in the order in which it is told."""

    working: tuple[Assessment, ...]
    """In service, as configured."""
    needing: tuple[Assessment, ...]
    """Past the limit with work to be done, the largest range first."""
    awaiting: tuple[Assessment, ...]
    """The work is done, the readings that show whether it holds are not there yet: nothing is turned meanwhile."""
    floor: tuple[Assessment, ...]
    """As good as whole teeth allow: to be shimmed or accepted."""
    accepted: Mapping[str, Ticket]
    """Accepted as they are, each with the ticket that says so."""
    tickets: Mapping[str, Ticket]
    """Open tickets for beds, by machine."""

    @property
    def past(self) -> int:
        """How many in service are past the limit."""
        return sum(is_past(m) for m in self.working)


def sort_machines(fleet: FleetAssessment, tickets: Sequence[Ticket]) -> Groups:
    """Sort a fleet by what its machines and its tickets of that time say."""
    working = tuple(m for m in fleet.machines if m.in_service)
    accepted = accepted_machines(working, tickets, fleet.at)
    beds = open_tickets(tickets)
    awaiting = worst_first([m for m in working if m.machine in beds and beds[m.machine].phase == "proving"])
    names = {m.machine for m in awaiting}
    past = [m for m in working if is_past(m) and m.machine not in accepted and m.machine not in names]
    return Groups(
        working=working,
        needing=worst_first([m for m in past if not m.at_tooth_floor]),
        awaiting=awaiting,
        floor=worst_first([m for m in past if m.at_tooth_floor]),
        accepted=accepted,
        tickets=beds,
    )


def is_past(machine: Assessment) -> bool:
    """In service and past the usable limit."""
    return machine.in_service and machine.condition == "past-limit"


def is_checked_since(machine: Assessment, ticket: Ticket) -> bool:
    """Whether a mesh later than the ticket's work has been read."""
    done, reading = ticket.work_until, machine.reading
    return done is not None and reading is not None and reading.taken_at > done


def worst_first(machines: Sequence[Assessment]) -> tuple[Assessment, ...]:
    """The largest range first; equal ones by name."""
    return tuple(sorted(machines, key=lambda m: (-(m.condition_range_mm or 0.0), m.machine)))
