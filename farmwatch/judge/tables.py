"""The causes and the advice, a row each: everything that any surface says or asks of one.

A new cause or advice is its code in the `Literal`, its row here, and the rule in `cause` that gives it. A code without
its row fails in a test of completeness; every other place reads these rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

__all__ = ["ADVICE", "CAUSES", "Advice", "AdviceRow", "Cause", "CauseRow"]

Cause = Literal["none", "screws", "plate", "both", "frame", "probe", "unclear"]
Advice = Literal[
    "leave", "watch", "plan-ahead", "re-mesh", "realign", "shim", "turn-plate", "plate", "check-probe", "check-host",
    "inspect-drive",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRow:
    """What is said of a cause, and whether it sends anybody to the machine."""

    words: str
    """After the machine's name: "tilted: a Z screw is off"."""
    whose: str = ""
    """What is at fault, beside another: "its screws"; empty where nothing is."""
    technician: bool = False
    """A ticket of this cause needs somebody at the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceRow:
    """What is said of an advice, what it asks of whom, and the decision it puts to the manager."""

    words: str
    """In a list of what to do: "realign its screws"; particulars stand behind a colon."""
    joint: str = ", then "
    """How it follows another advice."""
    idle: bool = False
    """Nothing is done about the bed: it stands no longer where there is something to do."""
    reach_in: bool = False
    """Somebody turns, shims or touches a part of the machine: the cautions stand before it."""
    method: bool = False
    """What was done at the machine, as the method of a finished ticket."""
    asks: str = ""
    """The decision on a machine past the limit whose first advice it is; empty where nothing is to be decided."""
    command: str = ""
    """The command that goes with the decision, `{name}` for the machine."""
    then: str = ""
    """What the command brings, or when it is to be given."""
    approve: str = ""
    """The decision where a proposed ticket waits; empty where that is told otherwise."""
    decision_rank: int = 99
    """The order in which a manager takes the decisions."""


CAUSES: Mapping[Cause, CauseRow] = MappingProxyType(
    {
        "none": CauseRow(words="nothing wrong"),
        "screws": CauseRow(words="tilted: a Z screw is off", whose="its screws", technician=True),
        "plate": CauseRow(words="not flat: probably the plate", whose="its plate", technician=True),
        "both": CauseRow(words="tilted, and the plate is not flat", whose="screws and plate together", technician=True),
        "frame": CauseRow(
            words="the machine under the plate: frame, rails, gantry or probe", whose="its frame", technician=True
        ),
        "probe": CauseRow(words="false readings: probe or dirt", whose="its probe", technician=True),
        "unclear": CauseRow(words="not clear yet"),
    }
)

ADVICE: Mapping[Advice, AdviceRow] = MappingProxyType(
    {
        "leave": AdviceRow(words="no action needed", idle=True),
        "watch": AdviceRow(words="watch it", idle=True),
        "plan-ahead": AdviceRow(words="plan a realignment before it passes the limit"),
        "re-mesh": AdviceRow(
            words="probe it again, hot",
            asks="Mesh again hot; turn nothing yet",
            command="farmwatch poll",
            then="reads the new mesh at once",
            decision_rank=3,
        ),
        "realign": AdviceRow(
            words="realign its screws",
            reach_in=True,
            method=True,
            asks="Send to the bench to turn the screws",
            command="farmwatch machine {name}",
            then="prints the moves",
            approve="Approve turning the screws",
            decision_rank=2,
        ),
        "shim": AdviceRow(
            words="shim what is left",
            reach_in=True,
            method=True,
            asks="Shim, or accept: no whole tooth betters it",
            command="farmwatch machine {name}",
            then="names the shims",
            decision_rank=7,
        ),
        "turn-plate": AdviceRow(
            words="turn the plate 180° and probe again",
            reach_in=True,
            method=True,
            asks="Turn the plate half round, mesh again",
            command="farmwatch note {name} plate --text turned",
            then="once it is turned",
            approve="Approve turning the plate half round",
            decision_rank=4,
        ),
        "plate": AdviceRow(
            words="replace or flatten the plate",
            reach_in=True,
            method=True,
            asks="Order a plate",
            command="farmwatch note {name} plate",
            then="once the new one lies on the bed",
            approve="Approve a new plate",
            decision_rank=5,
        ),
        "check-probe": AdviceRow(
            words="clean plate and nozzle, then check the probe",
            reach_in=True,
            method=True,
            asks="Clean plate and nozzle, check the probe",
            command="farmwatch note {name} probe",
            then="once it is put right",
            approve="Approve cleaning and a check of the probe",
            decision_rank=6,
        ),
        # The host can be seen to at any time, whatever is done to the bed.
        "check-host": AdviceRow(words="fix its host: no mesh comes from it", joint=", and ", method=True),
        "inspect-drive": AdviceRow(
            words="check the drive: belt tension, pulley clamps, wear, signs of a collision",
            reach_in=True,
            method=True,
            asks="Inspect belt and pulleys before a screw is turned",
            command="farmwatch machine {name}",
            then="shows when it moved",
            approve="Approve a look at belt and pulleys",
            decision_rank=1,
        ),
    }
)
