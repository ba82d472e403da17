"""What the manager decides today: one line per kind of work, the machines it is for, and the command to do it. Pure."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from farmwatch.judge.assessment import Advice, Assessment
from farmwatch.report.hands import machines_needing_hands
from farmwatch.report.text import joined, plain, shortened

__all__ = ["Decision", "decisions_today", "host_at_fault"]

_NAMES_SHOWN = 4
_WANTS_A_PERSON = ("refused", "host-error", "garbled", "implausible", "other-machine")
# Longer names would crowd the first page; the command then shows where the name goes.
_LONGEST_TYPED = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One thing to decide; `machines` worst first, `command` does it for the first of them."""

    what: str
    machines: tuple[str, ...]
    names: str
    """The machines in words, the long tail counted."""
    command: str
    then: str
    """What the command brings, or does next."""


# By the first advice of a machine past the limit, in the order in which a manager would take them.
_FOR_ADVICE: tuple[tuple[Advice, str, str, str], ...] = (
    ("inspect-drive", "Inspect belt and pulleys before a screw is turned",
     "farmwatch machine {name}", "shows when it moved"),
    ("realign", "Send to the bench to turn the screws",
     "farmwatch machine {name}", "prints the moves"),
    ("re-mesh", "Mesh again hot; turn nothing yet",
     "farmwatch poll", "reads the new mesh at once"),
    ("turn-plate", "Turn the plate half round, mesh again",
     "farmwatch note {name} plate --text turned", "once it is turned"),
    ("plate", "Order a plate",
     "farmwatch note {name} plate", "once the new one lies on the bed"),
    ("check-probe", "Clean plate and nozzle, check the probe",
     "farmwatch note {name} probe", "once it is put right"),
    ("shim", "Shim, or accept: no whole tooth betters it",
     "farmwatch machine {name}", "names the shims"),
)  # fmt: skip


def decisions_today(machines: Sequence[Assessment], due: Sequence[str]) -> tuple[Decision, ...]:
    """Decisions in the order in which they matter; `due` names the machines due within four weeks, earliest first."""
    working = [m for m in machines if m.in_service]
    # A machine whose every mesh so far was cold or partial wants another one before anything can be said of it.
    unjudged = [m for m in working if m.condition == "unknown" and m.reading is not None]
    past = [*machines_needing_hands(working), *_floor(working), *unjudged]
    found = []
    for advice, what, command, then in _FOR_ADVICE:
        names = [m.machine for m in past if _leading(m) == advice]
        found.append(_decision(what, names, command, then))
    found.append(
        _decision("Plan bench time within four weeks", list(due), "farmwatch machine {name}", "shows the day and why")
    )
    quiet = [m.machine for m in working if host_at_fault(m)]
    ask = "Find out what is wrong with the host"
    found.append(_decision(ask, quiet, "farmwatch check", "asks each host, names the fix"))
    never = [m.machine for m in working if m.reading is None and m.machine not in set(quiet)]
    found.append(_decision("Get a first mesh", never, "farmwatch check", "says what is missing"))
    return tuple(decision for decision in found if decision is not None)


def host_at_fault(machine: Assessment) -> bool:
    """A host silent for too long, or one that answers with what no later poll will mend by itself."""
    return machine.silent or "check-host" in machine.advice or machine.last_outcome in _WANTS_A_PERSON


def _floor(machines: Sequence[Assessment]) -> list[Assessment]:
    return [m for m in machines if m.condition == "past-limit" and m.at_tooth_floor]


def _leading(machine: Assessment) -> Advice | None:
    known: Callable[[Advice], bool] = {row[0] for row in _FOR_ADVICE}.__contains__
    return next((advice for advice in machine.advice if known(advice)), None)


def _decision(what: str, names: list[str], command: str, then: str) -> Decision | None:
    if not names:
        return None
    typed = shlex.quote(plain(names[0]))
    return Decision(
        what=what,
        machines=tuple(names),
        names=joined([shortened(name) for name in names[:_NAMES_SHOWN]] + names[_NAMES_SHOWN:], _NAMES_SHOWN),
        command=command.replace("{name}", typed if len(typed) <= _LONGEST_TYPED else "NAME"),
        then=then,
    )
