"""What the manager decides today: one line per kind of work, the machines it is for, and the command to do it. Pure."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from farmwatch.judge.assessment import Advice, Assessment
from farmwatch.report.hands import machines_needing_hands
from farmwatch.report.text import joined, plain

__all__ = ["Decision", "decisions_today"]

_NAMES_SHOWN = 4


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
    ("inspect-drive", "Have belt and pulleys inspected before any screw is turned again",
     "farmwatch machine {name}", "shows when it moved, and by how much"),
    ("realign", "Send to the bench to turn the screws",
     "farmwatch machine {name}", "prints the moves and what they leave"),
    ("re-mesh", "Have it meshed again hot; turn nothing yet",
     "farmwatch poll", "reads the new mesh at once"),
    ("turn-plate", "Have the plate turned half round and meshed again; leave the screws",
     "farmwatch note {name} plate --text turned", "tells farmwatch that it was turned"),
    ("plate", "Order a plate",
     "farmwatch note {name} plate", "once the new one lies on the bed"),
    ("check-probe", "Have the probe checked and the bed cleaned where the points stand off",
     "farmwatch note {name} probe", "once it was put right"),
    ("shim", "Shim, or accept as it is: no whole tooth betters these",
     "farmwatch machine {name}", "names the shim under each mount"),
)  # fmt: skip


def decisions_today(machines: Sequence[Assessment], due: Sequence[str]) -> tuple[Decision, ...]:
    """Decisions in the order in which they matter; `due` names the machines due within four weeks, earliest first."""
    working = [m for m in machines if m.in_service]
    past = [*machines_needing_hands(working), *_floor(working)]
    found = []
    for advice, what, command, then in _FOR_ADVICE:
        names = [m.machine for m in past if _leading(m) == advice]
        found.append(_decision(what, names, command, then))
    found.append(
        _decision("Plan bench time within four weeks", list(due), "farmwatch machine {name}", "shows the day and why")
    )
    quiet = [m.machine for m in working if m.silent or "check-host" in m.advice]
    ask = "Find out why the host does not answer"
    found.append(_decision(ask, quiet, "farmwatch check", "asks every host once, names the fix"))
    never = [m.machine for m in working if m.reading is None and m.machine not in set(quiet)]
    found.append(_decision("Get a first mesh", never, "farmwatch check", "says what is missing"))
    return tuple(decision for decision in found if decision is not None)


def _floor(machines: Sequence[Assessment]) -> list[Assessment]:
    return [m for m in machines if m.condition == "past-limit" and m.at_tooth_floor]


def _leading(machine: Assessment) -> Advice | None:
    known: Callable[[Advice], bool] = {row[0] for row in _FOR_ADVICE}.__contains__
    return next((advice for advice in machine.advice if known(advice)), None)


def _decision(what: str, names: list[str], command: str, then: str) -> Decision | None:
    if not names:
        return None
    return Decision(
        what=what,
        machines=tuple(names),
        names=joined(names, _NAMES_SHOWN),
        command=command.format(name=shlex.quote(plain(names[0]))) if "{name}" in command else command,
        then=then,
    )
