"""The machines of the invented farm, in the order in which a farm of N takes them: the telling ones come first."""

from __future__ import annotations

from dataclasses import dataclass, field

from farmwatch.demo.farm import AISLES, machine_name
from farmwatch.demo.truth import (
    BedForm,
    BedTruth,
    Group,
    HostTruth,
    Lift,
    MachineTruth,
    NoteTruth,
    OutTruth,
    PlateSwap,
    Sink,
    TicketDeed,
)

__all__ = ["farm_truth"]

_TOOTH_220 = 0.4
_TOOTH_350 = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scenario:
    group: Group
    short: str
    story: str
    bed: BedTruth = field(default_factory=BedTruth)
    host: HostTruth = field(default_factory=HostTruth)
    notes: tuple[NoteTruth, ...] = ()
    deeds: tuple[TicketDeed, ...] = ()
    out: OutTruth | None = None
    mapping: str | None = None


@dataclass(frozen=True, slots=True)
class _Healthy:
    """Beds with nothing wrong, told apart only by how flat they lie."""

    forms: tuple[BedForm, ...] = field(
        default=(BedForm("bowl", 0.035), BedForm("saddle", 0.03), BedForm("twist", 0.025), BedForm("ridge", 0.03))
    )

    def case(self, place: int) -> _Scenario:
        return _Scenario(
            group="well",
            short="well",
            story="Nothing is wrong with it.",
            bed=BedTruth(plate_form=self.forms[place % len(self.forms)]),
        )


def farm_truth(machines: int) -> tuple[MachineTruth, ...]:
    """What is true of each machine of a farm of `machines`, sorted by aisle and number as they stand on the floor."""
    healthy = _Healthy()
    found = []
    for place in range(machines):
        case = _SCENARIOS.get(place) or healthy.case(place)
        name = machine_name(place)
        aisle, number = name.split("-")
        model, mapping = _kind(aisle, int(number))
        found.append(
            MachineTruth(
                name=name,
                aisle=aisle,
                model=model,
                mapping=case.mapping or mapping,
                group=case.group,
                short=case.short,
                story=case.story,
                bed=case.bed,
                host=case.host,
                notes=case.notes,
                deeds=case.deeds,
                out=case.out,
            )
        )
    return tuple(sorted(found, key=lambda machine: (AISLES.index(machine.aisle), len(machine.name), machine.name)))


def _kind(aisle: str, number: int) -> tuple[str, str]:
    """Model and mapping by where a machine stands."""
    odd = number % 2 == 1
    if aisle == "heron":
        return "tideframe-220", "survey-rows"
    if aisle == "plover":
        return "tideframe-220", "gauge-strip" if odd else "spot-list"
    return ("tideframe-350", "level-columns") if odd else ("tideframe-160", "plain-grid")


def _worked(approved: float, taken: float, done: float) -> tuple[TicketDeed, ...]:
    """A ticket approved, taken and done, each so many days before the end."""
    return (
        TicketDeed(days_before=approved, deed="approve"),
        TicketDeed(days_before=taken, deed="take"),
        TicketDeed(days_before=done, deed="done"),
    )


_SCENARIOS: dict[int, _Scenario] = {
    # heron-01
    0: _Scenario(
        group="hands",
        short="a jumped tooth",
        story="The belt jumped one tooth at the front right screw; the bed dropped 0.4 mm there.",
        bed=BedTruth(
            stands_mm={"front-left": 0.02, "front-right": 0.01 - _TOOTH_220},
            plate_form=BedForm("bowl", 0.04),
            lifts=(Lift(5.5, "front-right", -_TOOTH_220),),
        ),
        deeds=(TicketDeed(days_before=2.9, deed="approve"),),
    ),
    # plover-01
    1: _Scenario(
        group="ahead",
        short="sinking",
        story="The bed sinks 0.015 mm a week at the front left since a new belt eight weeks ago.",
        bed=BedTruth(
            stands_mm={"front-left": -0.085, "front-right": 0.01},
            plate_form=BedForm("bowl", 0.035),
            sinks=(Sink("front-left", -0.015, 56.0),),
        ),
        notes=(NoteTruth(days_before=56.0, what="belt", text="new belt, tension set"),),
    ),
    # avocet-01
    2: _Scenario(
        group="hands",
        short="a bent plate",
        story="The plate's rear edge stands up by 0.4 mm; no screw can mend that.",
        bed=BedTruth(plate_form=BedForm("edge", 0.38), stands_mm={"front-left": 0.03, "front-right": 0.01}),
    ),
    # heron-02
    3: _Scenario(
        group="hands",
        short="tilted and bent",
        story="Tilted by two teeth at the front left and the plate is bent as well.",
        bed=BedTruth(
            stands_mm={"front-left": 2 * _TOOTH_220 + 0.01, "front-right": -0.02}, plate_form=BedForm("corner", 0.36)
        ),
        deeds=(TicketDeed(days_before=20.9, deed="approve"),),
    ),
    # plover-02
    4: _Healthy().case(4),
    # avocet-02
    5: _Scenario(
        group="ahead",
        short="a silent host",
        story="Its host has not answered for five days.",
        bed=BedTruth(stands_mm={"left": 0.015}),
        host=HostTruth(silent_days_before=5.0),
    ),
    # heron-03
    6: _Scenario(
        group="seems",
        short="a misreading probe",
        story="The probe misreads one point of every mesh; bed and screws are fine.",
        bed=BedTruth(spikes_days_before=16.0),
        deeds=(TicketDeed(days_before=12.9, deed="approve"),),
    ),
    # plover-03
    7: _Scenario(
        group="seems",
        short="at its tooth floor",
        story="As good as whole teeth allow: half a tooth is left over, and only shims take that away.",
        bed=BedTruth(stands_mm={"front-left": 0.17, "front-right": -0.01}, plate_form=BedForm("bowl", 0.07)),
    ),
    # avocet-03
    8: _Scenario(
        group="ahead",
        short="a host that sends rubbish",
        story="Its host answers with rubbish since five days ago.",
        host=HostTruth(rubbish_days_before=5.0),
    ),
    # heron-04
    9: _Scenario(
        group="seems",
        short="plover-04 answers with its mesh",
        story="Nothing is wrong with it, but the host of plover-04 answers with its mesh.",
    ),
    # plover-04
    10: _Scenario(
        group="seems",
        short="answers with the mesh of heron-04",
        story="Its address leads to the host of heron-04: two machines, one mesh.",
        host=HostTruth(answers_for="heron-04"),
        mapping="survey-rows",
    ),
    # avocet-04
    11: _Scenario(
        group="hands",
        short="low on one of two free screws",
        story="A bed on two screws that turn freely, 0.3 mm low at the left.",
        bed=BedTruth(stands_mm={"left": -0.30}),
    ),
    # heron-05
    12: _Scenario(
        group="well",
        short="realigned, and it held",
        story="Jumped a tooth at the front left ten weeks ago and was realigned a week later; it held.",
        bed=BedTruth(
            stands_mm={"front-left": 0.01, "front-right": -0.01},
            lifts=(Lift(70.0, "front-left", -_TOOTH_220), Lift(63.0, "front-left", _TOOTH_220)),
        ),
        notes=(NoteTruth(days_before=63.0, what="belt", text="front left up one tooth, belt tension set"),),
    ),
    # plover-05
    13: _Scenario(
        group="seems",
        short="probed cold",
        story="Probed cold for two days: it only looks different. Warm it was fine.",
        bed=BedTruth(cold_days_before=2.5),
    ),
    # avocet-05
    14: _Scenario(
        group="ahead",
        short="out of service",
        story="Out of service, waiting for a plate.",
        bed=BedTruth(plate_form=BedForm("saddle", 0.4)),
        out=OutTruth(days_before=9.0, reason="waiting for a new plate"),
        deeds=(TicketDeed(days_before=9.2, deed="approve"),),
    ),
    # heron-06
    15: _Scenario(
        group="well",
        short="another plate",
        story="Got another plate four weeks ago, a little thicker at the front left; it is flat enough.",
        bed=BedTruth(
            plate_form=BedForm("saddle", 0.09),
            swaps=(PlateSwap(28.0, "B", BedForm("bowl", 0.04)),),
            lifts=(Lift(28.0, "front-left", 0.06),),
        ),
    ),
    # plover-06
    16: _Scenario(
        group="hands",
        short="the reference screw jumped",
        story="The reference screw at the rear jumped up one tooth; both front screws now stand low.",
        bed=BedTruth(
            stands_mm={"rear": _TOOTH_220, "front-left": 0.01, "front-right": 0.02},
            lifts=(Lift(9.5, "rear", _TOOTH_220),),
        ),
        deeds=(TicketDeed(days_before=5.9, deed="approve"), TicketDeed(days_before=0.7, deed="take")),
    ),
    # avocet-06
    17: _Scenario(
        group="ahead",
        short="not probed for three weeks",
        story="Nobody has probed its bed for three weeks.",
        bed=BedTruth(meshed_until_days_before=21.0),
    ),
    # heron-07
    18: _Scenario(
        group="hands",
        short="the same tooth again",
        story="A tooth at the front right for the second time in two months: look at the belt and the pulley clamp.",
        bed=BedTruth(
            stands_mm={"front-left": 0.0, "front-right": 0.01 - _TOOTH_220},
            lifts=(
                Lift(52.0, "front-right", -_TOOTH_220),
                Lift(45.0, "front-right", _TOOTH_220),
                Lift(6.5, "front-right", -_TOOTH_220),
            ),
        ),
        notes=(NoteTruth(days_before=45.0, what="belt", text="front right up one tooth"),),
    ),
    # plover-07
    19: _Scenario(
        group="seems",
        short="a bent gantry, not the plate",
        story="Bent by 0.3 mm, but the form stayed when the plate was turned: the gantry, not the plate.",
        bed=BedTruth(plate_form=BedForm("bowl", 0.03), frame_form=BedForm("wave", 0.36), turned_days_before=12.0),
        notes=(NoteTruth(days_before=12.0, what="plate", text="turned"),),
        deeds=(TicketDeed(days_before=5.9, deed="accept", limit_mm=0.45, until_days_after=182.0),),
    ),
    # avocet-07
    20: _Scenario(
        group="ahead",
        short="sinking slowly",
        story="The right side sinks 0.004 mm a week: not due yet.",
        bed=BedTruth(
            stands_mm={"front-right": -0.12, "rear-right": -0.12},
            plate_form=BedForm("bowl", 0.03),
            sinks=(Sink("front-right", -0.004), Sink("rear-right", -0.004)),
        ),
    ),
    # heron-08
    21: _Scenario(
        group="hands",
        short="half turned back",
        story="Dropped two teeth at the front left; only one was turned back, so it came back.",
        bed=BedTruth(
            stands_mm={"front-left": 0.01 - _TOOTH_220, "front-right": 0.01},
            lifts=(Lift(17.5, "front-left", -2 * _TOOTH_220), Lift(6.72, "front-left", _TOOTH_220)),
        ),
        deeds=_worked(12.9, 6.75, 6.7),
    ),
    # plover-08
    22: _Scenario(
        group="well",
        short="realigned on its ticket, and proven",
        story="Jumped a tooth at the front right and was realigned on its ticket last week; the meshes since prove it.",
        bed=BedTruth(
            stands_mm={"front-left": 0.01, "front-right": 0.0},
            lifts=(Lift(16.5, "front-right", -_TOOTH_220), Lift(4.72, "front-right", _TOOTH_220)),
        ),
        deeds=_worked(11.9, 4.75, 4.7),
    ),
    # heron-09
    24: _Scenario(
        group="ahead",
        short="realigned, not probed since",
        story="Jumped a tooth at the front left and was realigned on Saturday; nobody has probed it since.",
        bed=BedTruth(
            stands_mm={"front-right": 0.01},
            lifts=(Lift(11.5, "front-left", _TOOTH_220), Lift(1.52, "front-left", -_TOOTH_220)),
            meshed_until_days_before=1.6,
        ),
        deeds=_worked(6.9, 1.58, 1.5),
    ),
    # avocet-09
    26: _Scenario(
        group="hands",
        short="a tooth low along the front",
        story="On four screws, a tooth low along the whole front since it was put together.",
        bed=BedTruth(stands_mm={"front-left": -_TOOTH_350, "front-right": -_TOOTH_350}),
        deeds=(TicketDeed(days_before=20.9, deed="approve"),),
    ),
}
