"""The weekly view: what is said, of whom, in which order."""

from dataclasses import replace
from datetime import timedelta
from types import ModuleType

import pytest

from farmwatch.judge import FleetAssessment
from farmwatch.report.page import render
from farmwatch.report.ticket_facts import find_ticket_facts
from farmwatch.report.view import MOST_SHEETS, FarmFacts, WeeklyView, weekly_view


def seen(invented: ModuleType, farm: FarmFacts, machines, before=()) -> WeeklyView:
    now = FleetAssessment(at=invented.WEEK_END, limits=invented.LIMITS, machines=tuple(machines))
    was = FleetAssessment(at=invented.WEEK_START, limits=invented.LIMITS, machines=tuple(before))
    return weekly_view(now, was, farm)


def test_machines_that_need_hands_come_worst_first(view: WeeklyView):
    assert [s.machine for s in view.sheets] == [
        "plover-03",
        "plover-05",
        "heron-06",
        "heron-01",
        "avocet-02",
        "plover-07",
        "avocet-08",
    ]
    assert [s.rank for s in view.sheets] == list(range(1, 8))
    assert [s.range_mm for s in view.sheets] == sorted((s.range_mm for s in view.sheets), reverse=True)


def test_a_machine_at_its_tooth_floor_is_told_apart_and_never_sent_to_turn(view: WeeklyView):
    (floor,) = view.floor
    assert floor.machine == "heron-09"
    assert {name: mm for name, mm in floor.of.plan.shims_mm.items() if mm} == {"front-left": 0.2, "front-right": 0.1}
    assert "heron-09" not in [s.machine for s in view.sheets]
    (shim,) = [d for d in view.decisions if d.machine == "heron-09"]
    assert shim.question.startswith("Shim it, or accept")


def test_a_bent_plate_is_never_sent_to_have_its_screws_turned(view: WeeklyView):
    bent = next(s for s in view.sheets if s.machine == "avocet-02")
    assert bent.cause.startswith("not flat: probably the plate")
    assert [step.words for step in bent.steps] == ["Turn the plate 180°."]
    assert (bent.turns, bent.after) == ({}, None)
    assert next(d for d in view.decisions if d.machine == "avocet-02").question == "Turn the plate 180°?"


def test_a_sheet_says_what_to_turn_and_what_that_leaves(view: WeeklyView, invented: ModuleType):
    jumped = next(s for s in view.sheets if s.machine == "heron-01")
    assert "Raise screw 2, FRONT RIGHT, 1 tooth (clockwise from below)." in [step.words for step in jumped.steps]
    assert not any("rear" in step.words for step in jumped.steps if step.blank.startswith("turned")), "the reference"
    assert jumped.turns == {"front-right": "up 1 tooth"}
    assert jumped.expect_mm == jumped.of.plan.range_after_shims_mm
    assert jumped.after.range_mm == pytest.approx(jumped.of.plan.range_after_mm, abs=1e-9)
    assert jumped.at_most_mm == view.limits.usable_mm
    assert jumped.since == "since Thu 19 Nov 2026 (4 days ago)"
    assert jumped.sure[1].endswith("would change our mind.")
    unlearned = next(s for s in view.sheets if s.machine == "plover-05")
    assert any("Which way lifts is not known" in step.words for step in unlearned.steps)


def test_what_to_turn_first_stands_first(invented: ModuleType, farm: FarmFacts):
    """One tooth of several, while no move of the machine is on record: read before any of the moves."""
    (sheet,) = seen(invented, farm, [invented.machine("heron-01", invented.bed((0.9, 0.0)))]).sheets
    first, probe, *rest = sheet.steps
    assert first.words == "First move on this machine. Lower screw 1, FRONT LEFT, 1 tooth (anticlockwise from below)."
    assert (probe.words, probe.blank) == ("Probe hot.", "range ____ mm")
    assert [step.words for step in rest if step.blank.startswith("turned")] == [
        "Lower screw 1, FRONT LEFT, the remaining 1 tooth (anticlockwise from below)."
    ]


def test_moves_wait_where_another_mesh_comes_first(invented: ModuleType, farm: FarmFacts):
    machine = replace(
        invented.machine("heron-01", invented.bed((0.5, 0.0))), confirmed=False, advice=("re-mesh", "realign")
    )
    (sheet,) = seen(invented, farm, [machine]).sheets
    assert sheet.steps[0].words == "Probe hot before anything is turned."
    assert sheet.steps_wait
    assert not seen(invented, farm, [invented.machine("heron-01", invented.bed((0.5, 0.0)))]).sheets[0].steps_wait


def test_a_free_drive_is_told_in_millimetres(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    plan = replace(machine.plan, teeth={}, turn_mm={"front-left": -0.48, "front-right": 0.001})
    model = replace(machine.model, drive="free", clockwise="lowers")
    (sheet,) = seen(invented, farm, [replace(machine, plan=plan, model=model)]).sheets
    assert sheet.steps[0].words == "Lower screw 1, FRONT LEFT, 0.48 mm (clockwise from below)."
    assert sheet.turns == {"front-left": "down 0.48 mm"}


def test_a_newest_mesh_that_was_not_judged_is_said(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    cold = replace(machine.reading, judged=False, why_not_judged="the bed was cold")
    old = replace(machine.reading, taken_at=invented.WEEK_END - timedelta(days=3))
    view = seen(invented, farm, [replace(machine, reading=cold, judged_reading=old)])
    assert view.sheets[0].judged == (
        "Newest mesh ignored: the bed was cold. Verdict from the mesh of Fri 20 Nov 2026, 00:00."
    )
    assert view.unseen[0].notes == ("newest mesh ignored: the bed was cold",)


def lines(view: WeeklyView) -> dict[str, str]:
    return {row.label: row.words for row in view.highlights}


def test_a_machine_never_judged_is_to_be_probed_hot(invented: ModuleType, farm: FarmFacts):
    cold = replace(invented.machine("heron-01", invented.bed()), condition="unknown", advice=("re-mesh",))
    assert lines(seen(invented, farm, [cold])) == {"Probe again hot": "heron-01"}


def test_a_machine_without_a_mesh_and_without_a_fault_is_asked_for_its_first(invented: ModuleType, farm: FarmFacts):
    view = seen(invented, farm, [invented.machine("heron-01", advice=("re-mesh",))])
    assert lines(view) == {"Get a first mesh": "heron-01"}


@pytest.mark.parametrize(
    ("outcome", "asked"), [("same", False), ("timed-out", False), ("garbled", True), ("refused", True)]
)
def test_one_poll_that_failed_is_no_fault_of_a_host_but_a_wrong_answer_is(
    invented: ModuleType, farm: FarmFacts, outcome: str, asked: bool
):
    machine = replace(invented.machine("heron-01", invented.bed()), last_outcome=outcome)
    assert ("Fix the host" in lines(seen(invented, farm, [machine]))) == asked


def test_a_mesh_that_was_not_judged_leaves_its_mark_hollow(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed())
    cold = replace(
        machine, machine="heron-02", reading=replace(machine.reading, judged=False), range_mm=0.4, judged_range_mm=0.05
    )
    view = seen(invented, farm, [machine, cold])
    assert [(mark.range_mm, mark.sure) for mark in view.marks] == [(machine.range_mm, True), (0.05, False)]


def test_a_machine_whose_work_waits_for_its_check_has_no_moves_anywhere(with_tickets: WeeklyView, view: WeeklyView):
    """Whoever turned a tooth on the mesh from before the work would turn it twice."""
    assert "plover-05" in [sheet.machine for sheet in view.sheets]
    (slip,) = with_tickets.slips
    assert (slip.machine, slip.ticket, slip.done, slip.checked) == ("plover-04", 15, "Sun 22 Nov", False)
    page = render(with_tickets)
    assert "Probe only: do not turn." in page
    row = next(row for row in page.split('class="directory"')[1].split("<li>") if ">plover-04<" in row)
    assert "don&#39;t touch; probe hot" in row


def test_past_the_limit_and_awaiting_its_check_is_not_work(invented: ModuleType, farm: FarmFacts):
    bad = invented.machine("heron-01", invented.bed((0.8, 0.0)), days_old=2)
    ticket, events = invented.life(1, "heron-01", "screws", ("propose", 9), ("approve", 8), ("take", 1.2), ("done", 1))
    now = FleetAssessment(at=invented.WEEK_END, limits=invented.LIMITS, machines=(bad,))
    book = find_ticket_facts([ticket], events, now, invented.WEEK_START)
    view = weekly_view(now, now, farm, book)
    assert (view.sheets, view.decisions, view.needing_work) == ((), (), 0)
    assert [slip.machine for slip in view.slips] == ["heron-01"]
    assert view.past_made_of == "1 awaits its check"


def test_a_machine_out_of_service_is_nowhere_but_among_those(view: WeeklyView):
    (out,) = view.out
    assert (out.machine, out.of.out_reason) == ("avocet-05", "waiting for a new belt")
    elsewhere = [*view.sheets, *view.changes, *view.due, *view.repeats, *view.floor, *view.unseen]
    assert "avocet-05" not in [row.machine for row in elsewhere]
    assert dict(view.counts) == {"past-limit": 8, "usable": 3, "ideal": 17, "unknown": 1, "out": 1}
    assert len(view.fleet) == 30


def test_silence_keeps_the_condition_and_shows_the_age(view: WeeklyView):
    silent = view.unseen[0]
    assert (silent.machine, silent.of.condition) == ("plover-10", "ideal")
    row = next(row for row in render(view).split('<tr role="row">') if "host silent" in row)
    assert row.count("19 days ago") == 2
    assert silent.notes == (
        "host silent (timed out: no answer within 10 s)",
        "the mesh is old; its condition stands",
    )
    assert view.unseen[1].notes == (
        "host gives no usable mesh (garbled: no heights at $.mesh.grid)",
        "never sent a mesh",
    )
    assert [row.machine for row in view.unseen] == ["plover-10", "avocet-10", "heron-10", "avocet-09"]


def test_the_numbers_of_the_first_page_add_up(with_tickets: WeeklyView, invented: ModuleType, farm: FarmFacts):
    past = dict(with_tickets.counts)["past-limit"]
    assert with_tickets.past_made_of == "6 need work, 1 accepted as it is, 1 as good as teeth allow"
    assert past == 6 + 1 + 1 == sum(mark.condition == "past-limit" for mark in with_tickets.marks)
    assert with_tickets.sentence.startswith("6 of 29 machines need work")
    bad = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    assert seen(invented, farm, [bad]).past_made_of == ""


def test_an_aisle_is_set_apart_from_the_name(invented: ModuleType, farm: FarmFacts):
    bad = replace(invented.machine("tern-02", invented.bed((0.5, 0.0))), aisle="loft")
    view = seen(invented, farm, [bad])
    row = render(view).split('<section class="fleet"')[1]
    assert "<h3>loft</h3>" in row.split(">tern-02<")[0]


class TestSentence:
    def test_of_the_invented_farm(self, view: WeeklyView):
        assert view.sentence == (
            "7 of 29 machines need work (1 new, 0 cleared since last week). The open work takes about 5.75 h and "
            "2 shims of 0.20 mm. Worst: plover-03, 2.03 mm (tilt); inspect belt and pulleys, about 1.75 h, "
            "waits for the manager."
        )

    def test_of_an_empty_farm(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [])
        assert view.sentence == "No machine is configured yet, so there is nothing to report."
        assert (view.marks, view.decisions, view.highlights) == ((), (), ())

    def test_of_a_farm_without_a_mesh(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [invented.machine("heron-01"), invented.machine("heron-02")])
        assert view.sentence == "None of the 2 machines has a mesh that can be judged yet."

    def test_of_one_healthy_machine_on_its_first_monday(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [invented.machine("heron-01", invented.bed())])
        assert view.sentence == "No machine needs work: the one machine in service is within the usable limit."
        assert view.first
        assert view.changes == ()

    def test_of_a_healthy_farm(self, invented: ModuleType, farm: FarmFacts):
        some = [invented.machine(f"heron-{i:02d}", invented.bed(seed=i)) for i in range(3)]
        assert seen(invented, farm, some, some).sentence == (
            "No machine needs work: all 3 machines in service are within the usable limit."
        )

    def test_of_a_farm_with_nothing_left_to_turn(self, invented: ModuleType, farm: FarmFacts):
        floor = replace(
            invented.machine("heron-01", invented.bed((0.16, -0.13), 0.05)), at_tooth_floor=True, advice=("shim",)
        )
        fleet = [floor, invented.machine("heron-02", invented.bed()), invented.machine("heron-03")]
        assert seen(invented, farm, fleet).sentence == (
            "No machine needs its screws turned: 1 of 3 machines in service is within the limit, "
            "1 as good as teeth allow, 1 has no mesh to judge."
        )

    @pytest.mark.parametrize(("before", "words"), [(2, "(0 new, 1 cleared"), (1, "(0 new, 0 cleared")])
    def test_against_the_week_before(self, invented: ModuleType, farm: FarmFacts, before: int, words: str):
        bad = [invented.machine(f"heron-{i:02d}", invented.bed((0.5, 0.0), seed=i)) for i in range(2)]
        good = [invented.machine(f"heron-{i:02d}", invented.bed(seed=i)) for i in range(2)]
        view = seen(invented, farm, [bad[0], good[1]], [*bad[:before], *good[before:]])
        assert view.sentence.startswith(f"1 of 2 machines needs work {words} since last week). ")
        assert f"Worst: heron-00, {bad[0].range_mm:.2f} mm (tilt)" in view.sentence


def test_sheets_are_bounded_and_the_rest_stands_in_the_table(invented: ModuleType, farm: FarmFacts):
    many = [
        invented.machine(f"heron-{i:02d}", invented.bed((0.3 + 0.02 * i, 0.0), seed=i)) for i in range(MOST_SHEETS + 6)
    ]
    view = seen(invented, farm, many)
    assert len(view.sheets) == MOST_SHEETS
    assert view.needing_work == MOST_SHEETS + 6
    assert view.ranks["heron-29"] == 1
    assert "heron-00" not in view.ranks


def test_a_week_that_still_runs_says_so(invented: ModuleType, farm: FarmFacts):
    fleet = invented.invented_fleet()
    assert weekly_view(replace(fleet, at=fleet.at - timedelta(days=2)), fleet, farm).running
    assert not weekly_view(fleet, fleet, farm).running


def test_the_open_work_is_held_against_the_hours_of_the_bench(invented: ModuleType, farm: FarmFacts):
    bad = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    now = FleetAssessment(at=invented.WEEK_END, limits=invented.LIMITS, machines=(bad,))
    page = render(weekly_view(now, now, replace(farm, bench_hours_a_week=40.0)))
    assert "h of 40 h</td>" in page
    assert " h of " not in render(weekly_view(now, now, farm)).split('class="labour"')[1].split("</table>")[0]
