"""The report as a file, from a real configuration and a real store."""

import html
import json
import os
import re
import stat
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from farmwatch.assess import assess
from farmwatch.config import Settings, load_settings
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.history import Reading
from farmwatch.measure import grid_points, influence
from farmwatch.mesh import Mesh
from farmwatch.report.week import Week
from farmwatch.report.write import report_name, write_report
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository, update_tickets
from tests.farm import MODEL_TEXT

MONDAY = datetime(2026, 11, 23, 6, tzinfo=UTC)
CONFIG = (
    """
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"
report_at = "mon 06:00"

"""
    + MODEL_TEXT
    + """
[[machines]]
name = "heron-01"
aisle = "heron"
model = "tideframe-220"

[[machines]]
name = "<script>"
aisle = "plover"
model = "tideframe-220"
"""
)
GRID = np.linspace(10.0, 210.0, 7)


def reading(name: str, at: datetime, up: float, seed: int) -> Reading:
    lift = influence([(20, 10), (200, 10), (110, 215)], 2, *grid_points(GRID, GRID))
    z = up * lift[0] + np.random.default_rng(seed).normal(0, 0.004, 49)
    mesh = Mesh.accept(GRID, GRID, z.reshape(7, 7))
    return Reading(machine=name, taken_at=at, seen_at=at, time_from="host", mesh=mesh, bed_celsius=60.0)


def words_of(page: str) -> str:
    """The page's text without its markup."""
    return html.unescape(re.sub(r"<[^>]+>", "", page))


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    path = tmp_path / "config.toml"
    path.write_text(CONFIG, encoding="utf-8")
    return load_settings(path)


@pytest.fixture
def store(settings: Settings) -> Store:
    """heron-01 jumped two teeth on Thursday; the other is level."""
    store = Store(settings.farm.database)
    start = MONDAY - timedelta(days=60)
    rows = []
    for i in range(58):
        at = start + timedelta(days=i + 0.5)
        rows.append(reading("heron-01", at, 0.8 if at >= MONDAY - timedelta(days=4.5) else 0.02, i))
        rows.append(reading("<script>", at, 0.01, 1000 + i))
    store.add_readings(rows)
    return store


def test_monday_s_report_is_of_the_week_just_ended(settings: Settings, store: Store):
    path = write_report(settings, store, MONDAY)
    assert path == settings.farm.reports / "farmwatch-2026-W47.html"
    text = path.read_text(encoding="utf-8")
    assert "1 of 2 machines needs work (1 new, 0 cleared since last week)." in words_of(text)
    assert "Lower screw 1, FRONT LEFT, the remaining 1 tooth (anticlockwise from below)." in text
    assert "Mon 16 Nov 2026 to Sun 22 Nov 2026" in text
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_the_same_data_gives_the_same_bytes_whenever_it_is_written(settings: Settings, store: Store):
    first = write_report(settings, store, MONDAY).read_bytes()
    assert write_report(settings, store, MONDAY + timedelta(hours=30)).read_bytes() == first
    assert write_report(settings, store, MONDAY + timedelta(days=40), Week(2026, 47)).read_bytes() == first


def test_what_came_after_the_week_does_not_count(settings: Settings, store: Store):
    first = write_report(settings, store, MONDAY).read_bytes()
    store.add_readings([reading("heron-01", MONDAY + timedelta(hours=3), 0.0, 5)])
    assert write_report(settings, store, MONDAY + timedelta(days=1)).read_bytes() == first


def test_a_week_that_still_runs_is_told_as_of_now(settings: Settings, store: Store):
    path = write_report(settings, store, MONDAY - timedelta(days=1), Week(2026, 47))
    assert "the week is still running" in path.read_text(encoding="utf-8")
    assert "Sun 22 Nov 2026, 06:00" in path.read_text(encoding="utf-8")


def test_a_week_that_has_not_begun_is_refused(settings: Settings, store: Store):
    with pytest.raises(InputError, match="2026-W49 has not begun: it starts on Mon 30 Nov 2026, 00:00"):
        write_report(settings, store, MONDAY, Week(2026, 49))
    assert not settings.farm.reports.exists()


def test_a_new_farm_s_first_report_reads_well(settings: Settings):
    path = write_report(settings, Store(settings.farm.database), MONDAY)
    text = path.read_text(encoding="utf-8")
    assert "None of the 2 machines has a mesh that can be judged yet." in text
    assert "First report" in text


def test_a_first_report_is_of_the_week_that_holds_the_first_mesh(settings: Settings):
    """Five minutes after the first poll the last full week holds nothing: the running one is told, if none is named."""
    store = Store(settings.farm.database)
    now = MONDAY + timedelta(days=2)
    assert write_report(settings, store, now).name == "farmwatch-2026-W47.html", "nothing was read in either"
    store.add_readings([reading("heron-01", now - timedelta(minutes=5), 0.8, 1)])
    path = write_report(settings, store, now)
    assert path.name == "farmwatch-2026-W48.html"
    text = words_of(path.read_text(encoding="utf-8"))
    assert "1 of 2 machines needs work." in text
    assert "Wed 25 Nov 2026, 06:00 (the week is still running)" in text
    assert "First report" in text
    named = write_report(settings, store, now, Week(2026, 47))
    assert "None of the 2 machines has a mesh" in named.read_text(encoding="utf-8")
    # In the week after, the first full one is told again.
    assert write_report(settings, store, now + timedelta(days=7)).name == "farmwatch-2026-W48.html"


def test_a_reader_never_sees_half_a_report(settings: Settings, store: Store, monkeypatch: pytest.MonkeyPatch):
    path = write_report(settings, store, MONDAY)
    before, files = path.read_bytes(), sorted(path.parent.iterdir())

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FarmwatchError, match="No space left on device") as caught:
        write_report(settings, store, MONDAY)
    assert str(path.with_suffix("")) in str(caught.value)
    assert path.read_bytes() == before
    assert sorted(path.parent.iterdir()) == files, "nothing is left lying about"


def test_a_folder_that_is_no_folder_is_said(settings: Settings, store: Store):
    settings.farm.reports.write_text("in the way")
    with pytest.raises(FarmwatchError, match=r"farm\.reports"):
        write_report(settings, store, MONDAY)


def test_others_may_read_it_as_the_mask_allows(settings: Settings, store: Store):
    path = write_report(settings, store, MONDAY)
    plain = path.with_name("plain")
    plain.touch()
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_the_week_before_is_told_as_it_was_told_then(settings: Settings, store: Store):
    """It is judged without following the histories: range, condition and service are those of the full assessment."""

    def told(fleet):
        return [(m.machine, m.range_mm, m.condition, m.in_service, m.at_tooth_floor) for m in fleet.machines]

    assert told(assess(settings, store, MONDAY, following=False)) == told(assess(settings, store, MONDAY))


def test_names_of_files():
    assert report_name(Week(2027, 1)) == "farmwatch-2027-W01.html"


def test_tickets_count_as_they_stood_at_the_week_s_end(settings: Settings, store: Store):
    """What was done with a ticket afterwards changes no byte of the week's report, and shows in the next one."""
    sunday = MONDAY - timedelta(days=1)
    update_tickets(settings, store, assess(settings, store, sunday))
    book = TicketRepository(store)
    (ticket,) = book.tickets()
    page = write_report(settings, store, MONDAY)
    first = page.read_bytes()
    assert "Approve: turn the screws?" in words_of(first.decode())
    assert "1, proposed" in words_of(first.decode())

    for hours, action in enumerate(("approve", "take", "done"), 1):
        at = MONDAY + timedelta(hours=hours)
        book.act(ticket.number, action, at=at, by="technician-nine", why="technician-nine did it",
                 change=lambda one, at=at: replace(one, work_from=at, work_until=at, due=one.due))  # fmt: skip
    store.add_readings([reading("heron-01", MONDAY + timedelta(days=d), 0.0, d) for d in (1, 2)])
    update_tickets(settings, store, assess(settings, store, MONDAY + timedelta(days=3)))
    assert book.ticket(1).phase == "proven"
    assert write_report(settings, store, MONDAY + timedelta(days=9), Week(2026, 47)).read_bytes() == first

    later = words_of(write_report(settings, store, MONDAY + timedelta(days=7)).read_text(encoding="utf-8"))
    assert "Of last week's 1 machine: 1 held." in later
    assert "1 of 1 repair held at the first try." in later
    assert "technician-nine" not in later


def test_a_report_of_before_any_ticket_speaks_of_none(settings: Settings, store: Store):
    before = write_report(settings, store, MONDAY).read_bytes()
    update_tickets(settings, store, assess(settings, store, MONDAY + timedelta(hours=1)))
    assert TicketRepository(store).tickets()
    assert write_report(settings, store, MONDAY + timedelta(days=2)).read_bytes() == before


def test_numbers_and_index_lie_beside_the_page(settings: Settings, store: Store):
    page = write_report(settings, store, MONDAY)
    write_report(settings, store, MONDAY, Week(2026, 46))
    folder = page.parent
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        [f"farmwatch-2026-W{n}.{kind}" for n in (46, 47) for kind in ("html", "json", "csv")] + ["index.html"]
    )
    document = json.loads(page.with_suffix(".json").read_text(encoding="utf-8"))
    assert document["needing_work"] == 1
    index = (folder / "index.html").read_bytes()
    assert index.index(b"farmwatch-2026-W47.html") < index.index(b"farmwatch-2026-W46.html")
    # What is none of ours, or broken, is left out of the index; writing again gives the same bytes.
    (folder / "farmwatch-notes.json").write_text("[1, 2", encoding="utf-8")
    (folder / "farmwatch-2026-W01.json").write_text('{"week": "2026-W02", "schema": "x"}', encoding="utf-8")
    write_report(settings, store, MONDAY)
    assert (folder / "index.html").read_bytes() == index
