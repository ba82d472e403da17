"""check beyond the answers of hosts: meshes beside their last ones, names, screws, mail and webhook."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from farmwatch.cli.mesh_change import change_of_mesh
from farmwatch.history import Note
from farmwatch.mesh import Floats, Mesh
from farmwatch.store import Move
from farmwatch.tickets import Outbox
from tests.cli.conftest import NOW, Farm, bed, reading
from tests.collect.hosts import Host, serving
from tests.tickets.hook import receiving, status

MACHINES = '[[machines]]\nname = "heron-01"\naisle = "heron"\nmodel = "tideframe-220"\n'


def flowing(text: str) -> str:
    return " ".join(text.split())


def a_bed(rows: int = 5, columns: int = 5, seed: int = 3) -> Floats:
    """A bed that is unlike every turn of itself."""
    y, x = np.mgrid[0 : 1 : rows * 1j, 0 : 1 : columns * 1j]
    noise = np.random.default_rng(seed).normal(0, 0.01, (rows, columns))
    return 0.4 * x + 0.15 * y + 0.3 * x * x * y + noise


def mesh_of(z: Floats) -> Mesh:
    return Mesh.accept(np.linspace(10, 210, z.shape[1]), np.linspace(10, 210, z.shape[0]), z)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda z: z[:, ::-1], "mirrored left to right: was `first` changed?"),
        (lambda z: z[::-1], "mirrored front to rear: was `first` changed?"),
        (lambda z: z[::-1, ::-1], "turned half round: was `first` changed?"),
        (lambda z: z.T, "mirrored along a diagonal: was `order` changed?"),
        (lambda z: z.T[::-1], "turned a quarter: was `order` changed?"),
        (lambda z: z * 25.4, "25.4 times as high: was `unit` changed?"),
        (lambda z: z / 25.4, "25.4 times as low: was `unit` changed?"),
        (lambda z: z * 1000, "1000 times as high: was `unit` changed?"),
        (lambda z: z / 1000, "1000 times as low: was `unit` changed?"),
        (lambda z: -z, "upside down: was `sign` changed?"),
        (lambda z: -z[:, ::-1], "mirrored left to right and upside down: was `first` or `sign` changed?"),
    ],
)
@pytest.mark.parametrize("probed_anew", [False, True])
def test_what_a_changed_mapping_does_to_a_mesh_is_named(
    change: Callable[[Floats], Floats], says: str, probed_anew: bool
) -> None:
    z = a_bed()
    anew = a_bed(seed=4) if probed_anew else z
    # Tens of mm are beyond what a mesh may be; the comparison needs none of its checks.
    before, now = mesh_of(z / 100), mesh_of(change(anew / 100))
    assert change_of_mesh(before, now) == f"reads as the last mesh {says}"


@pytest.mark.parametrize(
    "now",
    [
        a_bed(seed=5),
        a_bed() - 0.5,
        a_bed() - np.linspace(0, 0.4, 5),
        a_bed() + np.linspace(0, 0.8, 5)[:, None],
        a_bed() - np.linspace(0, 0.9, 5),
        a_bed(4, 6),
        np.zeros((5, 5)),
    ],
    ids=["probed anew", "lower", "a screw turned", "another turned", "turned too far", "another grid", "even"],
)
def test_what_happens_to_beds_is_not_taken_for_a_mapping(now: Floats) -> None:
    assert change_of_mesh(mesh_of(a_bed()), mesh_of(now)) == ""


@contextmanager
def hosted(farm: Farm, z: Floats, more: str = "") -> Iterator[Host]:
    """heron-01 has a host that shows a bed."""
    with serving({"/v1/survey/latest": {"survey": {"grid": z.tolist()}}}) as host:
        text = farm.config.read_text()
        text = text[: text.index("[[machines]]")] + more + MACHINES
        farm.config.write_text(f'{text}mapping = "survey-rows"\naddress = "{host.address}"\n')
        yield host


def test_a_mirrored_mapping_is_named_by_check_and_fails_where_asked(farm: Farm, spoil: Callable[..., None]) -> None:
    with hosted(farm, a_bed(7, 7)):
        assert farm("poll")[0] == 0
        code, out, _ = farm("check", "--fail-on", "trouble")
        assert (code, out.splitlines()[-1]) == (0, "1 ready, 0 need you")
        spoil('heights = "$.survey.grid"\n', 'heights = "$.survey.grid"\nfirst = "front-right"\n')
        code, out, _ = farm("check", "--fail-on", "trouble")
    assert code == 3
    assert "heron-01: reads as the last mesh mirrored left to right: was `first` changed?" in flowing(out)
    assert "farmwatch reread --machine heron-01" in flowing(out)
    assert out.splitlines()[-1] == "0 ready, 1 need you"


def test_screws_beyond_a_quarter_of_the_mesh_are_worth_a_look(farm: Farm, spoil: Callable[..., None]) -> None:
    with hosted(farm, a_bed(7, 7)):
        assert "outside the mesh" not in farm("check")[1]
        spoil("at = [110, 215]", "at = [110, 270]")
        code, out, _ = farm("check", "--fail-on", "trouble")
    assert code == 0
    assert "rear stands 60 mm outside the mesh in y, 30% of what was probed" in flowing(out)


def test_moves_of_screws_that_the_model_does_not_name_are_said(farm: Farm) -> None:
    told = Move(machine="heron-01", at=NOW, screw="left", teeth=1, before_at=NOW, range_before_mm=0.4)
    farm.store.add_moves([told])
    assert "1 move on record of left, which its model does not name: was the model changed?" in flowing(
        farm("check")[1]
    )


def kept(farm: Farm, old: str) -> None:
    """A machine that the configuration does not list has a history."""
    farm.store.add_readings([reading(old, day, bed(0.4, day)) for day in (3, 2)])


def test_a_likely_rename_is_told_by_identity_mesh_or_address(farm: Farm, spoil: Callable[..., None]) -> None:
    kept(farm, "heron-09")
    farm.store.pin({"heron-09": "SN-7", "heron-01": "SN-7"}, NOW)
    says = "heron-09 is no longer in the configuration, and heron-01 has {}: the same machine under a new name?"
    out = flowing(farm("check")[1])
    assert says.format("its host's identity") in out
    assert "farmwatch rename heron-09 heron-01" in out
    farm.store.unpin("heron-09")
    farm.store.unpin("heron-01")
    with hosted(farm, a_bed(7, 7)) as host:
        spoil('name = "heron-01"', 'name = "heron-09"')
        farm("poll")
        spoil('name = "heron-09"', 'name = "heron-01"')
        assert says.format("the mesh that it showed last") in flowing(farm("check")[1])
        host.scripts["/v1/survey/latest"] = {"survey": {"grid": a_bed(7, 7, seed=8).tolist()}}
        assert says.format("its address") in flowing(farm("check")[1])


def test_a_poll_remembers_the_addresses(farm: Farm) -> None:
    with hosted(farm, a_bed(7, 7)):
        farm("poll")
    assert list(farm.store.addresses()) == ["heron-01"]


def test_nothing_alike_is_no_likely_rename(farm: Farm) -> None:
    kept(farm, "heron-09")
    out = flowing(farm("check")[1])
    assert "in the database, and no longer in the configuration: heron-09" in out
    assert "the same machine under a new name" not in out


def test_a_removed_machine_shows_its_history_marked_so(farm: Farm) -> None:
    kept(farm, "heron-09")
    farm.store.add_note(Note(machine="heron-09", at=NOW - timedelta(days=1), what="belt", text="tight"))
    code, out, err = farm("machine", "heron-09")
    assert (code, err) == (0, "")
    assert out.startswith("heron-09  (no longer in the configuration: shown, not judged)\n")
    assert "2 readings" in out
    assert "belt: tight" in out
    assert "farmwatch rename heron-09 NEW" in out
    assert "past-limit" not in out
    code, _, err = farm("machine", "heron-08")
    assert code == 2
    assert "no machine is called" in err


HOOK = '[webhook]\nurl = "{}"\n\n'


def test_the_webhook_is_looked_at_and_nothing_is_posted(farm: Farm) -> None:
    with receiving(status(204)) as hook, hosted(farm, a_bed(7, 7), HOOK.format(hook.url)):
        code, out, _ = farm("check", "--fail-on", "trouble")
        assert code == 0
        assert "webhook: it answers (" in flowing(out)
        assert hook.got == []
        code, out, _ = farm("check", "--send")
        assert "webhook: it took the test" in out
    ((_, body),) = hook.got
    assert b'"type": "farmwatch.ticket.test"' in body
    assert b"nothing is to be done" in body
    assert b'"cautions": []' in body


def test_a_webhook_that_is_not_there_fails_where_asked(farm: Farm) -> None:
    with receiving(status(204)) as hook:
        url = hook.url
    with hosted(farm, a_bed(7, 7), HOOK.format(url)):
        code, out, _ = farm("check", "--fail-on", "trouble")
    assert code == 3
    assert "webhook: the webhook does not answer: no connection" in flowing(out)
    assert farm("check", "--send")[0] == 0


def test_a_test_needs_a_webhook(farm: Farm) -> None:
    code, _, err = farm("check", "--send")
    assert code == 2
    assert "has no [webhook]" in err


def test_mail_is_tried_without_a_letter(farm: Farm) -> None:
    controller = pytest.importorskip("aiosmtpd.controller")
    from tests.tickets.test_mail import Box
    from tests.tickets.test_mail import serving as mail_server

    assert controller
    box = Box()
    text = '[mail]\nhost = "127.0.0.1"\nport = {}\nsecurity = "none-on-loopback"\nsender = "farm@tidegate.example"\n'
    text += 'report_to = ["manager@tidegate.example"]\n\n'
    with mail_server(box) as port, hosted(farm, a_bed(7, 7), text.format(port)):
        code, out, _ = farm("check", "--fail-on", "trouble")
        assert (code, box.got) == (0, [])
        assert f"mail: 127.0.0.1:{port} answers; no letter was sent" in flowing(out)
    code, out, _ = farm("check", "--fail-on", "trouble")
    assert code == 3
    assert "mail: 127.0.0.1: " in out


def test_letters_that_fail_for_an_hour_stand_below_every_command(farm: Farm) -> None:
    outbox = Outbox(farm.store)
    at = datetime.now(UTC) - timedelta(hours=2)
    outbox.put("webhook/ticket-1-1", "webhook", "{}", at)
    assert farm("fleet")[2] == ""
    (letter,) = outbox.waiting()
    outbox.failed(letter, at + timedelta(minutes=1), "the webhook answered 503")
    for command in (["fleet"], ["fleet", "--json"], ["machine", "heron-01"], ["fleet", "--fail-on", "past-limit"]):
        err = farm(*command)[2]
        assert err.startswith("farmwatch: 1 letter cannot be delivered, since ")
        assert err.endswith(": the webhook answered 503; see: farmwatch ticket deliveries\n")
    outbox.give_up(letter.key, datetime.now(UTC))
    assert farm("fleet")[2] == ""


def test_a_reading_that_is_set_aside_is_nothing_to_compare_with(farm: Farm, spoil: Callable[..., None]) -> None:
    with hosted(farm, a_bed(7, 7)):
        farm("poll")
        farm("set-aside", "heron-01", "--until", "2099-01-01T00:00:00Z", "--why", "mirrored")
        spoil('heights = "$.survey.grid"\n', 'heights = "$.survey.grid"\nfirst = "front-right"\n')
        assert "reads as the last mesh" not in farm("check")[1]


def test_inches_read_as_millimetres_are_doubted_in_check_and_on_the_machine(farm: Farm) -> None:
    with hosted(farm, a_bed(7, 7) * (0.38 / float(np.ptp(a_bed(7, 7)))) / 25.4):
        assert farm("poll")[0] == 0
        said = "its heights span only 0.015 mm: are they inches, read as millimetres? See `unit` of its mapping"
        assert said in flowing(farm("check")[1])
    assert f"I{said[1:]}." in flowing(farm("machine", "heron-01")[1])
