"""rename: all that is kept of a machine goes to its new name, in one step, and back."""

from __future__ import annotations

import pytest

from farmwatch.history import Note
from farmwatch.store import Move, PollRecord
from tests.farm import NOW, bed, reading


def entered(farm, name):
    """A reading, a poll, a note, a move and an identity under a name."""
    farm.store.add_round([reading(bed({"rear": 0.3}), machine=name)], [PollRecord(machine=name, at=NOW, outcome="new")])
    farm.store.add_note(Note(machine=name, at=NOW, what="belt"))
    farm.store.add_moves([Move(machine=name, at=NOW, screw="rear", before_at=NOW, range_before_mm=0.3)])
    farm.store.pin({name: "SN-7"}, NOW)


def kept(farm, name):
    return (
        len(farm.store.histories([name]).get(name, ())),
        len(farm.store.polls(NOW, NOW, [name])),
        len(farm.store.notes([name])),
        len(farm.store.moves([name])),
        farm.store.identities().get(name),
        name in farm.store.last_answers(),
    )


def test_everything_goes_to_the_new_name_and_back(farm):
    before = kept(farm, "heron-01")
    entered(farm, "old-heron")
    all_of_it = (1, 1, 1, 1, "SN-7", True)
    assert kept(farm, "old-heron") == all_of_it

    code, out, err = farm("rename", "old-heron", "plover-01")

    assert (code, err) == (0, "")
    assert out == "renamed: old-heron is plover-01 now, with 1 reading\n"
    assert kept(farm, "old-heron") == (0, 0, 0, 0, None, False)
    assert kept(farm, "plover-01")[4:] == ("SN-7", True)
    assert kept(farm, "heron-01") == before
    farm.store.rename("plover-01", "old-heron")
    assert kept(farm, "old-heron")[1:] == all_of_it[1:]


def test_a_machine_polled_under_both_names_keeps_each_mesh_once(farm):
    for name in ("old-heron", "new-heron"):
        entered(farm, name)
    farm.store.add_readings([reading(bed({"rear": 0.4}), machine="new-heron", days=1)])
    farm.store.rename("old-heron", "new-heron")
    assert kept(farm, "new-heron") == (2, 2, 2, 2, "SN-7", True)


def test_check_names_what_the_configuration_no_longer_lists(farm):
    farm.store.add_readings([reading(machine="old-heron", days=-2)])
    _, out, _ = farm("check")
    assert "no longer in the configuration: old-heron." in " ".join(out.split())
    assert "farmwatch rename OLD NEW" in " ".join(out.split())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("heron-01", "plover-01", "stands in the configuration still"),
        ("nobody", "plover-01", "nothing is kept of a machine nobody"),
        ("nobody", "plover-9", 'did you mean "plover-01"?'),
    ],
)
def test_what_cannot_be_renamed_is_said(farm, old, new, says):
    code, _, err = farm("rename", old, new)
    assert code == 2
    assert says in err
