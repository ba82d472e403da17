"""What a right judgement says of each machine of the invented farm at the end of the demo."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Expected", "ExpectedStep", "expected_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedStep:
    """A step a right judgement finds."""

    name: str
    days_before: float
    screw: str | None = None
    teeth: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a right judgement says, in the words of the assessment. A None is not looked at."""

    condition: str
    cause: str = "none"
    advice: tuple[str, ...] = ("leave",)
    teeth: dict[str, int] | None = None
    at_tooth_floor: bool = False
    steps: tuple[ExpectedStep, ...] = ()
    outcome: str | None = None
    """Of the last poll, where it is not a mesh."""
    warned: bool = False
    """A warning stands beside it."""
    shown_is_judged: bool = True
    in_service: bool = True
    mesh_old: bool = False
    ticket: str | None = None
    """Phase of the machine's newest ticket at the end; None where there must be none."""


def expected_of(machine: str) -> Expected:
    """What is to be said of a machine; of those with no story, that nothing is wrong."""
    return _EXPECTED.get(machine, Expected(condition="ideal"))


_EXPECTED: dict[str, Expected] = {
    "heron-01": Expected(
        condition="past-limit",
        cause="screws",
        advice=("realign",),
        teeth={"front-left": 0, "front-right": 1},
        ticket="approved",
        steps=(ExpectedStep(name="tooth-jump", days_before=5.5, screw="front-right", teeth=-1),),
    ),
    "plover-01": Expected(condition="usable", advice=("plan-ahead",)),
    "avocet-01": Expected(condition="past-limit", cause="plate", advice=("turn-plate",), ticket="proposed"),
    "heron-02": Expected(
        condition="past-limit",
        cause="both",
        advice=("realign", "turn-plate"),
        teeth={"front-left": -2, "front-right": 0},
        ticket="approved",
    ),
    "avocet-02": Expected(condition="ideal", advice=("leave", "check-host"), outcome="unreachable", ticket="proposed"),
    "heron-03": Expected(condition="past-limit", cause="probe", advice=("check-probe",), ticket="approved"),
    "plover-03": Expected(
        condition="past-limit", cause="screws", advice=("shim",), at_tooth_floor=True, ticket="proposed"
    ),
    "avocet-03": Expected(condition="ideal", advice=("leave", "check-host"), outcome="garbled"),
    "heron-04": Expected(condition="ideal", warned=True),
    "plover-04": Expected(condition="ideal", warned=True),
    "avocet-04": Expected(condition="past-limit", cause="screws", advice=("realign",), teeth={}, ticket="proposed"),
    "heron-05": Expected(
        condition="ideal",
        steps=(
            ExpectedStep(name="tooth-jump", days_before=70.0, screw="front-left", teeth=-1),
            ExpectedStep(name="repair", days_before=63.0),
        ),
    ),
    "plover-05": Expected(condition="ideal", shown_is_judged=False),
    "avocet-05": Expected(
        condition="past-limit", cause="plate", advice=(), in_service=False, shown_is_judged=False, ticket="approved"
    ),
    "heron-06": Expected(condition="ideal", steps=(ExpectedStep(name="plate-change", days_before=28.0),)),
    "plover-06": Expected(
        condition="past-limit",
        cause="screws",
        advice=("realign",),
        teeth={"front-left": 1, "front-right": 1},
        ticket="in-work",
        steps=(ExpectedStep(name="tooth-jump", days_before=9.5, screw="rear", teeth=1),),
    ),
    "avocet-06": Expected(condition="ideal", mesh_old=True),
    "heron-07": Expected(
        condition="past-limit",
        cause="screws",
        advice=("inspect-drive", "realign"),
        teeth={"front-left": 0, "front-right": 1},
        ticket="proposed",
        steps=(
            ExpectedStep(name="tooth-jump", days_before=52.0, screw="front-right", teeth=-1),
            ExpectedStep(name="repair", days_before=45.0),
            ExpectedStep(name="tooth-jump", days_before=6.5, screw="front-right", teeth=-1),
        ),
    ),
    "plover-07": Expected(condition="past-limit", cause="frame", advice=("check-probe",), ticket="accepted"),
    "avocet-07": Expected(condition="usable", advice=("watch",)),
    "heron-08": Expected(
        condition="past-limit",
        cause="screws",
        advice=("realign",),
        teeth={"front-left": 1, "front-right": 0},
        steps=(
            ExpectedStep(name="tooth-jump", days_before=17.5, screw="front-left", teeth=-2),
            ExpectedStep(name="repair", days_before=6.72),
        ),
        ticket="came-back",
    ),
    "plover-08": Expected(
        condition="ideal",
        steps=(
            ExpectedStep(name="tooth-jump", days_before=16.5, screw="front-right", teeth=-1),
            ExpectedStep(name="repair", days_before=4.72),
        ),
        ticket="proven",
    ),
    "heron-09": Expected(
        condition="past-limit",
        cause="screws",
        advice=("re-mesh",),
        steps=(ExpectedStep(name="tooth-jump", days_before=11.5, screw="front-left", teeth=1),),
        ticket="proving",
    ),
    "avocet-09": Expected(
        condition="past-limit",
        cause="screws",
        advice=("realign",),
        teeth={"front-left": 1, "front-right": 1, "rear-right": 0},
        ticket="approved",
    ),
}
