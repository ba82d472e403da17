"""What hosts answered is kept beside the readings made of it, once, and thinned to the newest."""

from __future__ import annotations

import pytest

from farmwatch.store import Store
from farmwatch.store.records import KeptAnswer
from tests.farm import NOW
from tests.store.conftest import MakeReading


def test_answers_of_a_round_are_kept_once_and_thinned(store: Store, reading: MakeReading) -> None:
    readings = [
        reading(machine=machine, hours=k, seed=k, answer=f"{machine} {k}".encode(), read_by="before")
        for machine in ("heron-01", "plover-01")
        for k in range(3)
    ]
    bare = reading(machine="avocet-01", seed=9, read_by="before")
    for _ in range(2):
        store.add_readings([*readings, bare])
    now = dict.fromkeys(("heron-01", "plover-01", "avocet-01"), "now")
    kept, without = store.answers_of_other_mappings(now)
    assert [(one.machine, one.answer) for one in kept] == [
        (one.machine, one.answer) for one in sorted(readings, key=lambda one: (one.machine, one.taken_at))
    ]
    assert without == {"avocet-01": 1}
    assert store.other_mappings(now) == {"avocet-01": 1, "heron-01": 3, "plover-01": 3}
    since, _ = store.answers_of_other_mappings(now, readings[1].taken_at)
    assert len(since) == 4
    assert store.thin_answers(2) == 2
    left, _ = store.answers_of_other_mappings(now)
    assert [one.answer for one in left if one.machine == "heron-01"] == [b"heron-01 1", b"heron-01 2"]


@pytest.mark.parametrize("parts", [[], [b""], [b"{}"], [b"a" * 300, b"", b"\x00" * 8]])
def test_an_answer_and_those_beside_it_come_out_as_they_went_in(parts: list[bytes]) -> None:
    answer = KeptAnswer.packed(parts)
    assert KeptAnswer(machine="heron-01", taken_at=NOW, digest="d", range_mm=0.1, answer=answer).parts == parts
