"""What the manager decides today: one line per kind of work, the machines it is for, and the command to do it. Pure.

Where a machine has a ticket the line is of the ticket (approve, look why it came back, accept, ...); the rest is told
as on a farm without tickets. Nobody is asked for twice.
"""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE, Advice
from farmwatch.outcomes import OUTCOMES
from farmwatch.report.work_sheets import machines_needing_work
from farmwatch.text import day, joined, sanitize, shortened
from farmwatch.tickets import Ticket

__all__ = ["Decision", "decisions_today", "host_at_fault", "run_where", "with_all_names", "with_fewer_names"]

NAMES_SHOWN = 4
# Longer names would crowd the first page; the command then shows where the name goes.
_LONGEST_TYPED = 32
# What is accepted is looked at again after half a year: common practice, no source.
_ACCEPTED_FOR = timedelta(weeks=26)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One thing to decide; `machines` worst first, `command` does it for the first of them."""

    what: str
    machines: tuple[str, ...]
    tickets: tuple[int | None, ...]
    """Number of each one's open ticket; None where it has none."""
    names: str
    """The machines in words, with their tickets, the long tail counted."""
    command: str
    then: str
    """What the command brings, or does next."""
    remarks: tuple[str, ...] = ()
    """What stands behind each one's ticket, such as the day it was due; empty where nothing does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """A machine that is asked for, and its open ticket where it has one."""

    machine: Assessment
    ticket: Ticket | None = None


# By the first advice of a machine past the limit, in the order in which a manager would take them.
_ASKING = sorted((one for one in ADVICE if ADVICE[one].asks), key=lambda one: ADVICE[one].decision_rank)


def decisions_today(
    machines: Sequence[Assessment],
    due: Sequence[str],
    tickets: Sequence[Ticket] = (),
    *,
    settled: Container[str] = (),
    today: date = date.min,
) -> tuple[Decision, ...]:
    """Decisions in the order in which they matter; `due` names the machines due within four weeks, earliest first.

    tickets: the open ones. settled: machines past the limit that a closed ticket has answered for. today: the farm's
    date.
    """
    working = [m for m in machines if m.in_service]
    beds = {t.machine: t for t in tickets if t.cause != "host"}
    hosts = {t.machine: t for t in tickets if t.cause == "host"}
    # What wants another mesh first is told as such, whatever its ticket says.
    mine = [_Asked(machine=m, ticket=beds[m.machine]) for m in _worst_first(working) if _is_of_ticket(m, beds)]
    told = {asked.machine.machine for asked in mine}
    rest = [m for m in working if m.machine not in told and m.machine not in settled]
    found = [*_of_tickets(mine, today), *_of_advice(rest, beds)]
    free = [name for name in due if name not in told]
    found.append(_decision("Plan bench time within four weeks", free, {}, "farmwatch machine {name}",
                           "shows the day and why"))  # fmt: skip
    quiet = [m.machine for m in working if host_at_fault(m)]
    found.append(_decision("Find out what is wrong with the host", quiet, hosts, "farmwatch check",
                           "asks each host, names the fix"))  # fmt: skip
    never = [m.machine for m in working if m.reading is None and m.machine not in set(quiet)]
    found.append(_decision("Get a first mesh", never, {}, "farmwatch check", "says what is missing"))
    return tuple(decision for decision in found if decision is not None)


def host_at_fault(machine: Assessment) -> bool:
    """A host silent for too long, or one that answers with what no later poll will mend by itself."""
    last = machine.last_outcome
    wants_a_person = last is not None and OUTCOMES[last].wants_a_person
    return machine.silent or "check-host" in machine.advice or wants_a_person


def _of_advice(rest: Sequence[Assessment], beds: Mapping[str, Ticket]) -> list[Decision | None]:
    """A line per first advice, for machines without a ticket."""
    floor = [m for m in rest if m.condition == "past-limit" and m.at_tooth_floor]
    # A machine whose every mesh so far was cold or partial wants another one before anything can be said of it.
    unjudged = [m for m in rest if m.condition == "unknown" and m.reading is not None]
    past = [*machines_needing_work(rest), *floor, *unjudged]
    found = []
    for advice in _ASKING:
        row = ADVICE[advice]
        names = [m.machine for m in past if _leading(m) == advice]
        found.append(_decision(row.asks, names, beds, row.command, row.then))
    return found


def _of_tickets(mine: Sequence[_Asked], today: date) -> list[Decision | None]:
    """Lines of what tickets wait for; each ticket stands in the first that fits."""
    left = list(mine)

    def taken(fits: Callable[[_Asked, Ticket], bool]) -> list[_Asked]:
        found = [asked for asked in left if asked.ticket is not None and fits(asked, asked.ticket)]
        left[:] = [asked for asked in left if asked not in found]
        return found

    right = taken(lambda a, t: t.phase in ("proposed", "approved", "came-back") and _is_right_again(a.machine))
    back = taken(lambda _, t: t.phase == "came-back")
    late = taken(lambda _, t: t.phase in ("approved", "in-work") and t.due is not None and t.due < today)
    found = [_line("Came back: see why, approve anew", back, "farmwatch ticket show {number}", "says what changed")]
    turning = [asked for asked in late if _is_to_realign(asked)]
    found.append(_to_work("Late, screws to turn", turning))
    found.append(_to_work("Late, other work", [asked for asked in late if asked not in turning]))
    found += [
        _to_approve(ADVICE[advice].approve, taken(partial(_is_proposed_for, advice)))
        for advice in _ASKING
        if ADVICE[advice].approve
    ]
    floor = taken(partial(_is_proposed_for, "shim"))
    found.append(_line("Accept as it is, or approve shims", floor, _to_accept(floor, today), ""))
    found.append(_to_approve("Approve bench time before the limit", taken(lambda _, t: t.phase == "proposed")))
    approved = taken(lambda _, t: t.phase == "approved")
    turning = [asked for asked in approved if _is_to_realign(asked)]
    found.append(_to_work("Approved: turn the screws", turning))
    found.append(_to_work("Approved: do the work", [asked for asked in approved if asked not in turning]))
    unproved = taken(lambda a, t: t.phase == "proving" and _is_unprobed(a.machine, t))
    found.append(_line("Done, not probed since: mesh it hot", unproved, "farmwatch poll", "reads the new mesh at once"))
    withdraw = 'farmwatch ticket withdraw {number} --why "came right"'
    found.append(_line("Right again by itself: look why, or withdraw", right, withdraw, ""))
    return found


def _is_of_ticket(machine: Assessment, beds: Mapping[str, Ticket]) -> bool:
    ticket = beds.get(machine.machine)
    return ticket is not None and not (
        ticket.phase in ("proposed", "approved", "came-back") and _leading(machine) == "re-mesh"
    )


def _is_proposed_for(advice: Advice, asked: _Asked, ticket: Ticket) -> bool:
    return ticket.phase == "proposed" and _leading(asked.machine) == advice


def _is_right_again(machine: Assessment) -> bool:
    return machine.confirmed and machine.condition in ("ideal", "usable") and "plan-ahead" not in machine.advice


def _is_unprobed(machine: Assessment, ticket: Ticket) -> bool:
    done, reading = ticket.work_until, machine.reading
    return done is not None and (reading is None or reading.taken_at <= done)


def _worst_first(machines: Sequence[Assessment]) -> list[Assessment]:
    return sorted(machines, key=lambda m: (-(m.condition_range_mm or 0.0), m.machine))


def _is_to_realign(asked: _Asked) -> bool:
    """Its work begins with the screws, which the bench is guided through; of other work the ticket tells."""
    ticket = asked.ticket
    return ticket is not None and ticket.phase == "approved" and _leading(asked.machine) == "realign"


def _to_work(what: str, asked: Sequence[_Asked]) -> Decision | None:
    """The command that begins the work, of the same kind for all of `asked`."""
    if asked and _is_to_realign(asked[0]):
        return _line(what, asked, "farmwatch realign {name}", "guides the moves")
    return _line(what, asked, "farmwatch ticket show {number}", "has the work and its cautions")


def _to_approve(what: str, asked: Sequence[_Asked]) -> Decision | None:
    return _line(what, asked, "farmwatch ticket approve {number}", "sends it to the bench")


def _to_accept(asked: Sequence[_Asked], today: date) -> str:
    """Up to the twentieth of a millimetre that leaves a tenth above the range, for half a year."""
    if not asked:
        return ""
    limit = math.ceil(1.1 * (asked[0].machine.condition_range_mm or 0.0) * 20 - 1e-9) / 20
    return f"farmwatch ticket accept {{number}} --limit {limit:.2f} --until {today + _ACCEPTED_FOR}"


def _line(what: str, asked: Sequence[_Asked], command: str, then: str) -> Decision | None:
    """One line of tickets; the command is for the first."""
    tickets = {a.machine.machine: a.ticket for a in asked if a.ticket is not None}
    if not tickets:
        return None
    names = list(tickets)
    command = command.replace("{number}", str(tickets[names[0]].number))
    return _decision(what, names, tickets, command, then, late=what.startswith("Late"))


def _leading(machine: Assessment) -> Advice | None:
    return next((advice for advice in machine.advice if ADVICE[advice].asks), None)


def with_fewer_names(decision: Decision, most: int, letters: int) -> Decision:
    """The same decision with at most `most` names (two or more) of at most so many letters."""
    return replace(decision, names=_names(decision.machines, decision.tickets, decision.remarks, most, letters))


def run_where(config: Path | None) -> str:
    """Where commands are run that must be told of a configuration; empty where it is found by itself."""
    if config is None:
        return ""
    if config.name == "config.toml":
        return f"Run the commands of this report in {config.parent}, where the farm's config.toml lies."
    return f"Run the commands of this report as: farmwatch --config {shlex.quote(str(config))} …"


def with_all_names(decision: Decision) -> Decision:
    """The same decision with every name, whole."""
    return with_fewer_names(decision, len(decision.machines), max(map(len, decision.machines)))


def _names(
    names: Sequence[str],
    numbers: Sequence[int | None],
    remarks: Sequence[str],
    most: int = NAMES_SHOWN,
    letters: int = 28,
) -> str:
    """heron-01 (ticket 12), plover-06 (14) and 3 more; with remarks heron-01 (ticket 12, due Mon 16 Nov)."""
    labels, word = [], "ticket "
    for i, (name, number) in enumerate(zip(names[:most], numbers[:most], strict=True)):
        label = shortened(name, letters)
        if number is not None:
            label += f" ({word}{number}{f', {remarks[i]}' if remarks else ''})"
            word = ""
        labels.append(label)
    return joined([*labels, *names[most:]], most)


def _decision(
    what: str, names: Sequence[str], tickets: Mapping[str, Ticket], command: str, then: str, *, late: bool = False
) -> Decision | None:
    if not names:
        return None
    typed = shlex.quote(sanitize(names[0]))
    numbers = tuple(tickets[name].number if name in tickets else None for name in names)
    remarks = tuple(_due(tickets[name].due) for name in names) if late else ()
    return Decision(
        what=what,
        machines=tuple(names),
        tickets=numbers,
        names=_names(names, numbers, remarks),
        command=command.replace("{name}", typed if len(typed) <= _LONGEST_TYPED else "NAME"),
        then=then,
        remarks=remarks,
    )


def _due(due: date | None) -> str:
    return "no day set" if due is None else f"due {day(due, year=False)}"
