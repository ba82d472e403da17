"""Words of the pages: what is to be done at a machine in one word and shape, phases of tickets, minutes. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Literal

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE
from farmwatch.report.shared import PHASE_WORDS
from farmwatch.tickets import Ticket
from farmwatch.tickets.phases import Action

__all__ = [
    "ACTION_WORDS", "BUTTONS", "CONDITION_SAID", "ORDER_SAID", "PHASE_WORDS", "Order", "action", "minutes", "order",
    "stale", "verb", "work",
]  # fmt: skip

Order = Literal["work", "do-not-turn", "probe", "fine", "out"]
"""What whoever stands before the machine has to know first."""

ORDER_SAID: Mapping[Order, str] = MappingProxyType(
    {
        "work": "Work",
        "do-not-turn": "Do not turn",
        "probe": "Probe",
        "fine": "Fine",
        "out": "Out of service",
    }
)

CONDITION_SAID: Mapping[str, str] = MappingProxyType(
    {
        "past-limit": "past the limit",
        "usable": "usable",
        "ideal": "ideal",
        "unknown": "not known",
        "out": "out of service",
    }
)

ACTION_WORDS: Mapping[Action | Literal["undo", "propose"], str] = MappingProxyType(
    {
        "propose": "proposed",
        "approve": "approved",
        "assign": "given to",
        "take": "taken",
        "put-back": "put back",
        "done": "reported done",
        "prove": "proven",
        "fail": "failed its check",
        "accept": "accepted as it is",
        "nothing-found": "nothing was wrong",
        "withdraw": "withdrawn",
        "reopen": "opened again",
        "refresh": "new numbers",
        "undo": "taken back",
    }
)


BUTTONS: Mapping[str, str] = MappingProxyType(
    {
        "approve": "Approve",
        "take": "Start",
        "put-back": "Put back",
        "done": "Done with",
        "withdraw": "Withdraw",
    }
)


def action(name: str) -> str:
    """What was done with a ticket, in words; what a later farmwatch may have written stands as it is."""
    return next((said for known, said in ACTION_WORDS.items() if known == name), name)


def work(advice: Sequence[str]) -> str:
    """The work that a ticket asks for: "turn the screws, then shim it"."""
    said = [row.work for name in advice for known, row in ADVICE.items() if known == name and not row.idle]
    return ", then ".join(said[:2]) or "nothing"


def order(machine: Assessment, accepted: Ticket | None = None) -> Order:
    """The first word about a machine."""
    if not machine.in_service:
        return "out"
    ticket = machine.ticket
    if ticket is not None and ticket.phase == "proving" and not ticket.about_host:
        return "do-not-turn"
    if accepted is not None:
        return "fine"
    if machine.advice[:1] == ("re-mesh",) or machine.condition == "unknown":
        return "probe"
    if machine.mesh_old and not _busy(machine):
        return "probe"
    return "work" if any(ADVICE[one].reach_in for one in machine.advice) else "fine"


def verb(machine: Assessment, accepted: Ticket | None = None) -> str:
    """What is done about it next, in few words: "turn the screws"; empty where nothing is."""
    if not machine.in_service:
        return ""
    ticket = machine.ticket
    if ticket is not None and ticket.phase == "proving" and not ticket.about_host:
        return "do not turn; probe hot" if machine.awaits_mesh else "do not turn; the next hot mesh decides"
    if accepted is not None:
        return ""
    busy = _busy(machine)
    if machine.twins:
        return "find out whose mesh it is"
    if busy:
        return ", then ".join(busy[:2])
    if machine.reading is None:
        return "get a first mesh"
    return "probe it hot: its mesh is old" if machine.mesh_old else ""


def _busy(machine: Assessment) -> list[str]:
    """The work that its advice asks for."""
    return [ADVICE[one].work for one in machine.advice if not ADVICE[one].idle]


def minutes(hours: float) -> str:
    """45 min; 2 h 30; empty for nothing."""
    whole = round(hours * 60 / 5) * 5
    if not whole:
        return ""
    return f"{whole} min" if whole < 90 else f"{whole // 60} h {whole % 60:02d}".removesuffix(" 00")


_STALE = timedelta(minutes=30)


def stale(judged_at: datetime | None, now: datetime) -> bool:
    """Whether what is shown is too old to be taken for now: the service judges every five minutes."""
    return judged_at is None or now - judged_at > _STALE
