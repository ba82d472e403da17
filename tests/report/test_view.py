"""The weekly view: what is said, of whom, in which order."""

from dataclasses import replace
from datetime import timedelta
from types import ModuleType

import pytest

from farmwatch.judge import FleetAssessment
from farmwatch.report.decide import decisions_today
from farmwatch.report.page import render
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
    assert [row.machine for row in view.front] == [s.machine for s in view.sheets[: len(view.front)]]
    assert len(view.front) >= 4


def test_a_machine_at_its_tooth_floor_is_told_apart_and_never_sent_to_turn(view: WeeklyView):
    (floor,) = view.floor
    assert floor.machine == "heron-09"
    assert floor.shims == ("front left: shim 0.20 mm", "front right: shim 0.10 mm")
    assert "heron-09" not in [s.machine for s in view.sheets]
    shim = next(d for d in view.decisions if "heron-09" in d.machines)
    assert shim.what.startswith("Shim, or accept")
    assert "heron-09" not in next(d for d in view.decisions if "turn the screws" in d.what).machines


def test_a_bent_plate_is_never_sent_to_have_its_screws_turned(view: WeeklyView):
    bent = next(s for s in view.sheets if s.machine == "avocet-02")
    assert bent.cause.startswith("not flat: probably the plate")
    assert bent.moves == () == bent.stages
    assert bent.turns == {}
    assert next(d for d in view.decisions if "avocet-02" in d.machines).what.startswith("Turn the plate half round")


def test_a_sheet_says_what_to_turn_and_how_far_that_gets(view: WeeklyView, invented: ModuleType):
    jumped = next(s for s in view.sheets if s.machine == "heron-01")
    assert "front right: up 1 tooth, clockwise seen from below" in jumped.moves
    assert "rear: the reference, never turned" in jumped.moves
    assert jumped.turns == {"front-right": "up 1 tooth"}
    assert [name for name, _ in jumped.stages] == ["now", "after screws", "after shims"]
    assert jumped.since == "Thu 19 Nov 2026 (4 days ago)"
    assert jumped.sure[1].endswith("would change our mind.")
    unlearned = next(s for s in view.sheets if s.machine == "plover-05")
    assert any("which way round is not known" in move for move in unlearned.moves)


def test_what_to_turn_first_stands_first(invented: ModuleType, farm: FarmFacts):
    """One tooth of several, while no move of the machine is on record: read before any of the moves."""
    (sheet,) = seen(invented, farm, [invented.machine("heron-01", invented.bed((0.9, 0.0)))]).sheets
    first, *rest = sheet.moves
    assert first.startswith("no move is on record for this machine")
    assert any("teeth" in move for move in rest)


def test_moves_wait_where_another_mesh_comes_first(invented: ModuleType, farm: FarmFacts):
    machine = replace(
        invented.machine("heron-01", invented.bed((0.5, 0.0))), confirmed=False, advice=("re-mesh", "realign")
    )
    (sheet,) = seen(invented, farm, [machine]).sheets
    assert sheet.moves
    assert sheet.moves_wait
    assert not seen(invented, farm, [invented.machine("heron-01", invented.bed((0.5, 0.0)))]).sheets[0].moves_wait


def test_a_free_drive_is_told_in_millimetres(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    plan = replace(machine.plan, teeth={}, turn_mm={"front-left": -0.48, "front-right": 0.001})
    model = replace(machine.model, drive="free", clockwise="lowers")
    (sheet,) = seen(invented, farm, [replace(machine, plan=plan, model=model)]).sheets
    assert sheet.moves[0] == "front left: down 0.48 mm, clockwise seen from below"
    assert sheet.turns == {"front-left": "down 0.48 mm"}


def test_a_newest_mesh_that_was_not_judged_is_said(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    cold = replace(machine.reading, judged=False, why_not_judged="the bed was cold")
    old = replace(machine.reading, taken_at=invented.WEEK_END - timedelta(days=3))
    view = seen(invented, farm, [replace(machine, reading=cold, judged_reading=old)])
    assert view.sheets[0].judged == (
        "The newest mesh is shown, not judged (the bed was cold). "
        "Condition and advice are those of Fri 20 Nov 2026, 00:00."
    )
    assert view.unseen[0].why == ("the newest mesh is shown, not judged: the bed was cold",)


def test_decisions_name_the_machines_and_the_command(view: WeeklyView):
    by_what = {d.what: d for d in view.decisions}
    drive = by_what["Inspect belt and pulleys before a screw is turned"]
    assert (drive.machines, drive.command) == (("plover-03",), "farmwatch machine plover-03")
    assert by_what["Plan bench time within four weeks"].names == "plover-02 and heron-05"
    assert by_what["Find out what is wrong with the host"].machines == ("plover-10", "avocet-10")
    everyone = [name for d in view.decisions for name in d.machines]
    assert len(everyone) == len(set(everyone)), "nobody is asked for twice"


def test_a_command_is_safe_to_type_and_a_long_name_is_left_to_fill_in(invented: ModuleType):
    rude = replace(invented.machine("heron-01", invented.bed((0.5, 0.0))), machine="a; echo b")
    long = replace(rude, machine="x" * 80)
    assert decisions_today([rude], [])[0].command == "farmwatch machine 'a; echo b'"
    (decision,) = decisions_today([long], [])
    assert decision.command == "farmwatch machine NAME"
    assert len(decision.names) == 28


def test_a_machine_never_judged_is_asked_to_mesh_hot(invented: ModuleType):
    cold = replace(invented.machine("heron-01", invented.bed()), condition="unknown", advice=("re-mesh",))
    (decision,) = decisions_today([cold], [])
    assert decision.what == "Mesh again hot; turn nothing yet"


def test_a_machine_without_a_mesh_and_without_a_fault_is_asked_for_its_first(invented: ModuleType):
    (decision,) = decisions_today([invented.machine("heron-01", advice=("re-mesh",))], [])
    assert (decision.what, decision.machines) == ("Get a first mesh", ("heron-01",))


@pytest.mark.parametrize(
    ("outcome", "asked"), [("same", False), ("timed-out", False), ("garbled", True), ("refused", True)]
)
def test_one_poll_that_failed_is_no_fault_of_a_host_but_a_wrong_answer_is(
    invented: ModuleType, outcome: str, asked: bool
):
    machine = replace(invented.machine("heron-01", invented.bed()), last_outcome=outcome)
    assert bool(decisions_today([machine], [])) == asked


def test_a_mesh_that_was_not_judged_is_not_on_the_staff(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed())
    cold = replace(machine, machine="heron-02", reading=replace(machine.reading, judged=False))
    view = seen(invented, farm, [machine, cold])
    assert view.ranges == ((machine.range_mm, "ideal"),)
    assert [row.judged for row in view.fleet] == [True, False]


def test_a_year_is_named_where_it_is_another(invented: ModuleType, farm: FarmFacts):
    machine = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    old = replace(machine, machine="heron-02", since=invented.WEEK_END.replace(year=2025))
    view = seen(invented, farm, [machine, old])
    assert [row.since for row in view.front] == ["Tue 3 Nov", "Sun 23 Nov 2025"]


def test_a_machine_out_of_service_is_nowhere_but_among_those(view: WeeklyView):
    (out,) = view.out
    assert (out.machine, out.reason, out.until) == ("avocet-05", "waiting for a new belt", "Sat 5 Dec 2026")
    elsewhere = [*view.sheets, *view.changed, *view.due, *view.repeats, *view.floor, *view.unseen]
    assert "avocet-05" not in [row.machine for row in elsewhere]
    assert dict(view.counts) == {"past-limit": 8, "usable": 3, "ideal": 17, "unknown": 1, "out": 1}
    assert len(view.fleet) == 30


def test_silence_keeps_the_condition_and_shows_the_age(view: WeeklyView):
    silent = view.unseen[0]
    assert (silent.machine, silent.condition, silent.mesh, silent.answered) == (
        "plover-10",
        "ideal",
        "19 days ago",
        "19 days ago",
    )
    assert silent.why == (
        "the host is silent (timed out: no answer within 10 s)",
        "the mesh is old; its condition stands",
    )
    assert view.unseen[1].why == (
        "the host gives nothing that can be used (garbled: no heights at $.mesh.grid)",
        "never sent a mesh",
    )
    assert [row.machine for row in view.unseen] == ["plover-10", "avocet-10", "heron-10", "avocet-09"]


def test_the_numbers_of_the_first_page_add_up(with_tickets: WeeklyView, invented: ModuleType, farm: FarmFacts):
    past = dict(with_tickets.counts)["past-limit"]
    assert with_tickets.past_made_of == "6 need hands, 1 accepted as it is, 1 as good as teeth allow"
    assert past == 6 + 1 + 1
    assert with_tickets.sentence.startswith("6 of 29 machines need hands")
    bad = invented.machine("heron-01", invented.bed((0.5, 0.0)))
    assert seen(invented, farm, [bad]).past_made_of == ""


def test_what_the_first_page_counts_the_next_one_names(invented: ModuleType, farm: FarmFacts):
    many = [invented.machine(f"heron-{i:02d}", invented.bed((0.3 + 0.02 * i, 0.0), seed=i)) for i in range(17)]
    view = seen(invented, farm, many)
    assert view.decisions[0].names.endswith(" more")
    ((number, full),) = view.decisions_in_full
    assert (number, full.names.count("heron-")) == (1, 17)
    assert view.decisions_foot == ("", "The next page has every machine by name.")
    few = seen(invented, farm, many[:3])
    assert (few.decisions_in_full, few.decisions_foot) == ((), ("", ""))


def test_an_aisle_is_set_apart_from_the_name(invented: ModuleType, farm: FarmFacts):
    bad = replace(invented.machine("tern-02", invented.bed((0.5, 0.0))), aisle="loft")
    view = seen(invented, farm, [bad])
    assert view.front[0].aisle == "aisle loft"
    row = render(view).split('<section class="fleet"')[1]
    assert '<span class="line soft aisle">aisle loft</span></th>' in row


class TestSentence:
    def test_of_the_invented_farm(self, view: WeeklyView):
        assert view.sentence == (
            "7 of 29 machines need hands, 1 more than a week ago; the worst is plover-03 with a range of 2.026 mm; "
            "2 more are due within four weeks; 1 host is silent."
        )

    def test_of_an_empty_farm(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [])
        assert view.sentence == "No machine is configured yet, so there is nothing to report."
        assert (view.front, view.decisions, view.highlights) == ((), (), ())

    def test_of_a_farm_without_a_mesh(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [invented.machine("heron-01"), invented.machine("heron-02")])
        assert view.sentence == "None of the 2 machines has a mesh that can be judged yet."

    def test_of_one_healthy_machine_on_its_first_monday(self, invented: ModuleType, farm: FarmFacts):
        view = seen(invented, farm, [invented.machine("heron-01", invented.bed())])
        assert view.sentence == "No machine needs hands: the one machine in service is within the usable limit."
        assert view.first
        assert view.changed == ()

    def test_of_a_healthy_farm(self, invented: ModuleType, farm: FarmFacts):
        some = [invented.machine(f"heron-{i:02d}", invented.bed(seed=i)) for i in range(3)]
        assert seen(invented, farm, some, some).sentence == (
            "No machine needs hands: all 3 machines in service are within the usable limit."
        )

    def test_of_a_farm_with_nothing_left_to_turn(self, invented: ModuleType, farm: FarmFacts):
        floor = replace(
            invented.machine("heron-01", invented.bed((0.16, -0.13), 0.05)), at_tooth_floor=True, advice=("shim",)
        )
        fleet = [floor, invented.machine("heron-02", invented.bed()), invented.machine("heron-03")]
        assert seen(invented, farm, fleet).sentence == (
            "No machine needs its screws turned: 1 of 3 machines in service is within the limit, "
            "1 is as good as teeth allow, 1 has no mesh to judge."
        )

    @pytest.mark.parametrize(("before", "words"), [(2, ", 1 fewer than a week ago"), (1, ", as many as a week ago")])
    def test_against_the_week_before(self, invented: ModuleType, farm: FarmFacts, before: int, words: str):
        bad = [invented.machine(f"heron-{i:02d}", invented.bed((0.5, 0.0), seed=i)) for i in range(2)]
        good = [invented.machine(f"heron-{i:02d}", invented.bed(seed=i)) for i in range(2)]
        view = seen(invented, farm, [bad[0], good[1]], [*bad[:before], *good[before:]])
        assert (
            view.sentence
            == f"1 of 2 machines needs hands{words}; the worst is heron-00 with a range of {bad[0].range_mm:.3f} mm."
        )


def test_sheets_are_bounded_and_the_rest_stands_in_the_table(invented: ModuleType, farm: FarmFacts):
    many = [
        invented.machine(f"heron-{i:02d}", invented.bed((0.3 + 0.02 * i, 0.0), seed=i)) for i in range(MOST_SHEETS + 6)
    ]
    view = seen(invented, farm, many)
    assert len(view.sheets) == MOST_SHEETS
    assert view.needing_work == MOST_SHEETS + 6
    ranks = {row.machine: row.rank for row in view.fleet}
    assert ranks["heron-29"] == 1
    assert ranks["heron-00"] is None


def test_a_week_that_still_runs_says_so(invented: ModuleType, farm: FarmFacts):
    fleet = invented.invented_fleet()
    assert weekly_view(replace(fleet, at=fleet.at - timedelta(days=2)), fleet, farm).running
    assert not weekly_view(fleet, fleet, farm).running
