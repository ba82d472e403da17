"""What moved since the week before, and who does so again and again."""

from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from zoneinfo import ZoneInfo

import pytest

from farmwatch.follow import Step
from farmwatch.judge import FleetAssessment
from farmwatch.report.changes import changed_machines, step_words, why_repeated
from farmwatch.report.view import WeeklyView

DUBLIN = ZoneInfo("Europe/Dublin")


def moved(invented: ModuleType, now, before):
    return changed_machines(
        FleetAssessment(at=invented.WEEK_END, limits=invented.LIMITS, machines=tuple(now)),
        FleetAssessment(at=invented.WEEK_START, limits=invented.LIMITS, machines=tuple(before)),
        DUBLIN,
    )


def test_the_steps_of_the_week_are_told_and_older_ones_are_not(view: WeeklyView):
    rows = {row.machine: row.what for row in view.changes}
    assert rows["heron-01"] == (
        "front right: jumped down 1 tooth (−0.397 mm), Thu 19 Nov",
        "was ideal, now past the limit",
    )
    assert rows["plover-03"] == ("front left: jumped up 1 tooth (+0.403 mm), Sat 21 Nov",)
    assert rows["avocet-08"] == ("front left: shifted (+0.170 mm), Sun 22 Nov; suspected, the next mesh decides",)
    assert list(rows) == ["plover-03", "heron-01", "avocet-08"], "the largest change first"


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (("tooth-jump", "front-left", 0.8, 2), "front left: jumped up 2 teeth (+0.800 mm), Mon 16 Nov"),
        (("repair", None, -0.4, None), "worked on (−0.400 mm), Mon 16 Nov"),
        (("plate-change", None, 0.1, None), "another plate or another form (+0.100 mm), Mon 16 Nov"),
        (("shift", None, 0.1, None), "shifted (+0.100 mm), Mon 16 Nov"),
    ],
)
def test_each_kind_of_step_has_its_sentence(invented: ModuleType, step, words: str):
    name, screw, mm, teeth = step
    assert step_words(Step(at=invented.WEEK_START, name=name, screw=screw, mm=mm, teeth=teeth), DUBLIN) == words


def test_what_came_went_and_changed_is_told(invented: ModuleType):
    good, bad = invented.machine("heron-01", invented.bed()), invented.machine("heron-01", invented.bed((0.5, 0)))
    out = replace(good, in_service=False)
    none = invented.machine("heron-01")
    assert moved(invented, [good], [])[0].what == ("first mesh",)
    assert moved(invented, [good], [none])[0].what == ("first mesh",)
    assert moved(invented, [none], [none]) == ()
    assert moved(invented, [out], [good])[0].what == ("taken out of service",)
    assert moved(invented, [good], [out])[0].what == ("back in service",)
    assert moved(invented, [good], [bad])[0].what == ("was past the limit, now ideal",)
    assert moved(invented, [good], [good]) == ()


def test_a_range_that_moved_by_more_than_a_probe_repeats_is_told(invented: ModuleType):
    machine = invented.machine("heron-01", invented.bed((0.5, 0)))
    (row,) = moved(invented, [machine], [replace(machine, range_mm=machine.range_mm - 0.06)])
    assert row.what == ("range moved without a step that can be named",)
    assert moved(invented, [machine], [replace(machine, range_mm=machine.range_mm - 0.04)]) == ()
    cold = replace(machine, reading=replace(machine.reading, judged=False))
    assert moved(invented, [cold], [replace(machine, range_mm=0.1)]) == ()


def test_last_week_s_list_and_what_moved_stand_together_a_machine_each(with_tickets: WeeklyView):
    rows = {row.machine: row for row in with_tickets.changes}
    assert len(rows) == len(with_tickets.changes)
    assert [row.outcome for row in with_tickets.changes[:2]] == ["failed its check", "new"]
    assert rows["heron-01"].outcome == "new"
    assert rows["heron-01"].what[0].startswith("front right: jumped down 1 tooth")
    assert rows["plover-03"].outcome == "not done"
    assert rows["plover-03"].what == (
        "proposed, not approved, open for 1 day", "front left: jumped up 1 tooth (+0.403 mm), Sat 21 Nov"
    )  # fmt: skip
    assert rows["plover-04"].outcome == "awaiting its check"
    assert {row.machine for row in (*with_tickets.follow_ups, *with_tickets.changes)} == set(rows)


class TestSlipsAgain:
    def why(self, invented: ModuleType, *steps: Step, advice=("leave",)):
        machine = replace(invented.machine("heron-01", invented.bed()), steps=steps, advice=advice)
        return why_repeated(machine, invented.WEEK_END, DUBLIN)

    def test_two_jumps_at_one_screw_within_90_days(self, invented: ModuleType):
        at = invented.WEEK_END
        jumps = (invented.jump(at, 80), invented.jump(at, 3))
        machine = replace(invented.machine("heron-01", invented.bed()), repeated_jumps=jumps, advice=("leave",))
        assert why_repeated(machine, at, DUBLIN) == ("front right jumped 2 times in 90 days: Fri 4 Sep and Fri 20 Nov",)
        # A belt renewed since, or jumps too far apart, are no repetition: that is judged, not told again here.
        assert self.why(invented, *jumps) == ()

    def test_three_sudden_changes_in_half_a_year(self, invented: ModuleType):
        at = invented.WEEK_END
        shift = Step(at=at - timedelta(days=150), name="shift", screw=None, mm=0.1, teeth=None)
        assert self.why(invented, shift, invented.jump(at, 120), invented.jump(at, 3)) == (
            "3 sudden changes in 26 weeks: Fri 26 Jun, Sun 26 Jul and Fri 20 Nov",
        )
        repair = replace(shift, name="repair")
        assert self.why(invented, repair, invented.jump(at, 120), invented.jump(at, 3)) == ()

    def test_a_drive_to_inspect(self, invented: ModuleType):
        assert self.why(invented, advice=("inspect-drive", "realign")) == ("failed its check after a repair",)
