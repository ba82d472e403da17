"""The causes and the advice, a row each: everything that any surface says or asks of one.

A new cause or advice is its code in the `Literal`, its row here, and the rule in `cause` that gives it. A code without
its row fails in a test of completeness; every other place reads these rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

__all__ = ["ADVICE", "CAUSES", "METHODS", "Advice", "AdviceRow", "Cause", "CauseRow"]

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
    short: str
    """Behind a range, in brackets: "tilt"; empty where there is none."""
    whose: str = ""
    """What is at fault, beside another: "its screws"; empty where nothing is."""
    technician: bool = False
    """A ticket of this cause needs somebody at the machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceRow:
    """What is said of an advice, what it asks of whom, and the decision it puts to the manager."""

    words: str
    """In a list of what to do: "realign its screws"; particulars stand behind a colon."""
    work: str
    """As an order, or a decision behind "Approve:": "turn the screws"."""
    joint: str = ", then "
    """How it follows another advice."""
    idle: bool = False
    """Nothing is done about the bed: it stands no longer where there is something to do."""
    reach_in: bool = False
    """Somebody turns, shims or touches a part of the machine: the cautions stand before it."""
    method: bool = False
    """What was done at the machine, as the method of a finished ticket."""
    bench_hours: float | None = None
    """Hours of the job where the farm has not timed its own, the wait for a hot mesh left out: common practice, no
    source. None: it is no work for the bench."""
    tools: str = ""
    """What is brought to the machine: common practice, no source."""
    steps: tuple[str, ...] = ()
    """What the work consists of, where no plan of screws and shims says it: common practice, no source."""


CAUSES: Mapping[Cause, CauseRow] = MappingProxyType(
    {
        "none": CauseRow(words="nothing wrong", short=""),
        "screws": CauseRow(words="tilted: a Z screw is off", short="tilt", whose="its screws", technician=True),
        "plate": CauseRow(words="not flat: probably the plate", short="plate", whose="its plate", technician=True),
        "both": CauseRow(
            words="tilted, and the plate is not flat",
            short="tilt and plate",
            whose="screws and plate together",
            technician=True,
        ),
        "frame": CauseRow(
            words="the machine under the plate: frame, rails, gantry or probe",
            short="frame",
            whose="its frame",
            technician=True,
        ),
        "probe": CauseRow(
            words="false readings: probe or dirt",
            short="false readings",
            whose="its probe",
            technician=True,
        ),
        "unclear": CauseRow(words="not clear yet", short="cause not clear"),
    }
)

ADVICE: Mapping[Advice, AdviceRow] = MappingProxyType(
    {
        "leave": AdviceRow(words="no action needed", work="don't touch", idle=True),
        "watch": AdviceRow(words="watch it", work="watch it", idle=True),
        "plan-ahead": AdviceRow(words="plan a realignment before it passes the limit", work="realign before the limit"),
        "re-mesh": AdviceRow(
            words="probe it again, hot",
            work="probe it hot again",
            steps=("Probe hot before anything is turned.",),
        ),
        "realign": AdviceRow(
            words="realign its screws",
            work="turn the screws",
            bench_hours=0.75,
            tools="marker, keys for clamps and belt, block for the bed",
            reach_in=True,
            method=True,
        ),
        "shim": AdviceRow(
            words="shim what is left",
            work="shim it",
            bench_hours=0.75,
            tools="key for the bed mounts, feeler gauge",
            reach_in=True,
            method=True,
        ),
        "turn-plate": AdviceRow(
            words="turn the plate 180° and probe again",
            work="turn the plate 180°",
            bench_hours=0.25,
            steps=("Turn the plate 180°.",),
            reach_in=True,
            method=True,
        ),
        "plate": AdviceRow(
            words="replace or flatten the plate",
            work="fit a new plate",
            bench_hours=0.5,
            tools="cloth, cleaner",
            steps=("Fit a new or flattened plate; note its name.",),
            reach_in=True,
            method=True,
        ),
        "check-probe": AdviceRow(
            words="clean plate and nozzle, then check the probe",
            work="clean and check the probe",
            bench_hours=0.5,
            tools="cloth, cleaner, brush for the nozzle",
            steps=(
                "Clean plate and nozzle.",
                "Check that the probe sits firm and its cable is whole.",
            ),
            reach_in=True,
            method=True,
        ),
        # The host can be seen to at any time, whatever is done to the bed.
        "check-host": AdviceRow(
            words="fix its host: no mesh comes from it", work="fix its host", joint=", and ", method=True
        ),
        "inspect-drive": AdviceRow(
            words="check the drive: belt tension, pulley clamps, wear, signs of a collision",
            work="inspect belt and pulleys",
            bench_hours=1.0,
            tools="keys for clamps and belt",
            steps=(
                "Check the belt's tension on every run.",
                "Check that each pulley's clamp holds; mark pulley against screw.",
                "Look for wear, loose nuts and traces of a collision.",
            ),
            reach_in=True,
            method=True,
        ),
    }
)

METHODS: tuple[str, ...] = (*(advice for advice, row in ADVICE.items() if row.method), "other")
"""What can have been done at a machine, as the method of a finished ticket."""
