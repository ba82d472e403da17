from __future__ import annotations

from farmwatch.follow import Step
from farmwatch.history import Note, Work
from farmwatch.judge.drive import find_drive_fault, repeated_jumps


def jump(bench, days: float, screw: str = "front-left", name: str = "tooth-jump") -> Step:
    return Step(at=bench.at(days), name=name, screw=screw, mm=-0.4, teeth=-1)  # type: ignore[arg-type]


def test_a_second_jump_at_one_screw_within_90_days(bench) -> None:
    at = bench.at(120)
    assert find_drive_fault([jump(bench, 20), jump(bench, 100)], (), (), None, at) == "jumped-again"
    assert find_drive_fault([jump(bench, 0), jump(bench, 100)], (), (), None, at) is None
    assert find_drive_fault([jump(bench, 20), jump(bench, 100, "front-right")], (), (), None, at) is None
    assert find_drive_fault([jump(bench, 20), jump(bench, 100, name="shift")], (), (), None, at) is None
    assert find_drive_fault([jump(bench, 20), jump(bench, 100)], (), (), None, bench.at(191)) is None


def test_the_jumps_that_repeat_are_told_screw_by_screw(bench) -> None:
    old, first, other, last = jump(bench, 5), jump(bench, 20), jump(bench, 60, "rear"), jump(bench, 100)
    assert repeated_jumps([old, first, other, last], (), bench.at(120)) == (first, last)
    assert repeated_jumps([first, other], (), bench.at(120)) == ()


def test_a_new_belt_since_the_last_jump_settles_it_and_one_before_it_does_not(bench) -> None:
    steps = [jump(bench, 20), jump(bench, 100)]

    def fault(days: float, what: str) -> str | None:
        note = Note(machine="heron-01", at=bench.at(days), what=what)  # type: ignore[arg-type]
        return find_drive_fault(steps, (), (note,), None, bench.at(120))

    assert fault(110, "belt") is None
    assert fault(110, "pulley") is None
    assert fault(110, "nozzle") == "jumped-again"
    assert fault(50, "belt") == "jumped-again"


def test_a_repair_that_came_back_within_28_days(bench) -> None:
    at = bench.at(60)
    work = Work(ticket=1, start=bench.at(9), end=bench.at(10))
    assert find_drive_fault((), (work,), (), bench.at(38), at) == "came-back"
    assert find_drive_fault((), (work,), (), bench.at(39), at) is None
    assert find_drive_fault((), (work,), (), bench.at(5), at) is None
    assert find_drive_fault((), (work,), (), None, at) is None
    assert find_drive_fault((), (Work(ticket=1, start=bench.at(9)),), (), bench.at(38), at) is None
    assert find_drive_fault([jump(bench, 10, name="repair")], (), (), bench.at(38), at) == "came-back"
