"""The company's week from the lake: the sites' own figures, the same bytes wherever made, a word on each fault."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import orjson
import pytest

from farmwatch.company import Engine, engines, write_company
from farmwatch.company.lake import read_lake
from farmwatch.company.manifest import MANIFEST, folder_of
from farmwatch.company.place import open_place
from farmwatch.company.tasks import Task, TaskResult
from farmwatch.company.view import CompanyView
from farmwatch.config.settings import Company
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.report import Week, write_week
from tests.company.lakes import EXPORTED_AT, SITES
from tests.farm import FARM

WEEK = Week.read("2026-W47")
COMPANY = Company.model_validate({"name": FARM, "timezone": "Europe/Dublin"})
HERON, PLOVER, AVOCET = SITES


def written(
    lake: Path | str, to: Path, company: Company = COMPANY, **more: Any
) -> tuple[CompanyView, dict[str, bytes]]:
    """The report of the week and the bytes of its files."""
    view, path = write_company(company, str(lake), to, more.pop("at", EXPORTED_AT), more.pop("week", WEEK), **more)
    return view, {file.name: file.read_bytes() for file in path.parent.glob("farmwatch-company-*")}


@pytest.fixture(scope="module")
def sound(three, tmp_path_factory):
    return written(three[1], tmp_path_factory.mktemp("sound"), engine=Engine(jobs=1))


def test_every_site_stands_with_the_figures_of_its_own_edition(three, sound):
    view, _ = sound
    assert [row.name for row in view.sites] == [HERON, AVOCET, PLOVER]
    for row in view.sites:
        farm = three[0][row.name]
        own, path = write_week(farm.settings, farm.store, EXPORTED_AT, WEEK)
        document = json.loads(path.with_suffix(".json").read_text())
        counts = {**{name: row.sums.conditions.get(name, 0) for name in ("past-limit", "usable", "ideal", "unknown")},
                  "out": row.sums.machines - row.sums.working}  # fmt: skip
        assert counts == document["counts"]
        assert row.sums.needing == document["needing_work"]
        assert round(row.sums.hours, 2) == document["labour"]["hours"]
        assert row.sums.ahead == tuple((week.name, week.expected) for week in own.weeks)
        assert row.sums.quarter == own.quarter
    assert view.whole.past == 4
    assert view.whole.working == 9
    assert not view.words
    assert not view.foreign


def test_what_the_page_says_its_numbers_say_too(sound):
    _view, files = sound
    document = orjson.loads(files["farmwatch-company-2026-W47.json"])
    assert document["schema"] == "farmwatch.company/1"
    assert [site["site"] for site in document["sites"]] == [HERON, AVOCET, PLOVER]
    assert document["company_sums"]["counts"]["past-limit"] == 4
    page = files["farmwatch-company-2026-W47.html"].decode()
    assert "4 of 9 machines at 3 sites are past the limit (44 %)" in page
    assert all(site in page for site in SITES)
    assert len(files["farmwatch-company-2026-W47.csv"].splitlines()) == 4
    assert orjson.loads(files["farmwatch-company-2026-W47.priors.json"])["models"]["tideframe-220"]["machines"] == 9


def test_the_same_bytes_from_two_processes_and_smaller_tasks(three, sound, tmp_path, monkeypatch):
    monkeypatch.setattr("farmwatch.company.write.MACHINES_A_TASK", 2)
    # Each machine in a block of its own: what it borrows of others comes from the lake.
    monkeypatch.setattr("farmwatch.company.tasks.MACHINES_A_BLOCK", 1)
    assert written(three[1], tmp_path / "two", engine=Engine(jobs=2))[1] == sound[1]


def rewritten(path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """A manifest with a change, at the time it had."""
    document = orjson.loads(path.read_bytes())
    change(document)
    path.write_bytes(orjson.dumps(document))
    os.utime(path, (EXPORTED_AT.timestamp(), EXPORTED_AT.timestamp()))


def a_part(lake: Path, site: str = HERON) -> Path:
    return sorted((lake / folder_of(site)).rglob("part-*.parquet"))[0]


def anew(lake: Path, part: Path, select: str) -> None:
    """A part with other content, named rightly by its manifest."""
    with duckdb.connect() as con:
        content = select.format(part="'" + str(part) + "'")
        con.execute(f"COPY ({content}) TO '{part}.new' (FORMAT parquet)")
    Path(f"{part}.new").replace(part)
    size = part.stat().st_size

    def change(document: dict[str, Any]) -> None:
        for one in document["readings"]:
            if part.name in one["path"]:
                one["bytes"] = size

    rewritten(lake / folder_of(HERON) / MANIFEST, change)


def foreign(lake: Path) -> None:
    (lake / "notes.txt").write_text("mine")
    (lake / "other-program").mkdir()
    (lake / "other-program" / "data.bin").write_bytes(b"\0" * 9)


def strays(lake: Path) -> None:
    a_part(lake).with_name(".part-0.parquet.123").write_bytes(b"PAR1")


def half_written(lake: Path) -> None:
    part = a_part(lake)
    part.write_bytes(part.read_bytes()[:-300])


def gone(lake: Path) -> None:
    a_part(lake).unlink()


def flipped(lake: Path) -> None:
    part = a_part(lake)
    body = bytearray(part.read_bytes())
    body[60:600] = bytes(540)
    part.write_bytes(bytes(body))


def other_columns(lake: Path) -> None:
    anew(lake, a_part(lake), "SELECT * EXCLUDE (during_work) FROM read_parquet({part})")


def poisoned(lake: Path) -> None:
    anew(lake, a_part(lake), "SELECT * REPLACE (if(machine = 'heron-02', heights[:3], heights) AS heights) "
                             "FROM read_parquet({part})")  # fmt: skip


def newer(lake: Path) -> None:
    rewritten(lake / folder_of(HERON) / MANIFEST, lambda d: d.update(schema="farmwatch.lake/2", farmwatch="9.1"))


def half_manifest(lake: Path) -> None:
    path = lake / folder_of(HERON) / MANIFEST
    path.write_bytes(path.read_bytes()[:200])


def no_manifest(lake: Path) -> None:
    (lake / folder_of(HERON) / MANIFEST).unlink()


def no_machines(lake: Path) -> None:
    next((lake / folder_of(HERON) / "tables").glob("machines-*")).write_bytes(b"PAR1")


def renamed(lake: Path) -> None:
    shutil.copytree(lake / folder_of(HERON), lake / folder_of("Heron Head"), copy_function=shutil.copy2)
    rewritten(
        lake / folder_of("Heron Head") / MANIFEST,
        lambda d: d.update(site="Heron Head", exported_at="2026-11-23T06:25:00Z"),
    )


def two_of_one_name(lake: Path) -> None:
    shutil.copytree(lake / folder_of(HERON), lake / folder_of("Heron Head"), copy_function=shutil.copy2)
    rewritten(lake / folder_of("Heron Head") / MANIFEST, lambda d: d.update(source="another"))


def clock_ahead(lake: Path) -> None:
    rewritten(lake / folder_of(HERON) / MANIFEST, lambda d: d.update(exported_at="2026-11-27T06:20:00Z"))


def clock_behind(lake: Path) -> None:
    rewritten(lake / folder_of(HERON) / MANIFEST, lambda d: d.update(exported_at="2026-11-22T18:00:00Z"))


def late(lake: Path) -> None:
    path = lake / folder_of(HERON) / MANIFEST
    rewritten(path, lambda d: d.update(exported_at="2026-11-19T06:20:00Z"))
    os.utime(path, (EXPORTED_AT.timestamp() - 4 * 86400, EXPORTED_AT.timestamp() - 4 * 86400))


SPOILED = [
    # what befalls the lake, the site that a word is said of, the word, whether Heron Point's figures still stand
    (strays, HERON, "1 file that its manifest does not name is not read", True),
    (half_written, HERON, r"is cut off or written over \(.* bytes\): .* readings of 2026-10 left out", True),
    (gone, HERON, "is missing: .* readings of 2026-10 left out", True),
    (flipped, HERON, "is damaged: its readings are left out", True),
    (other_columns, HERON, "has no column during_work: another version wrote it", True),
    (poisoned, HERON, r"heron-02 cannot be assessed \(.*\): it is left out|is damaged", True),
    (newer, HERON, "not in this report: it is written as farmwatch.lake/2 by farmwatch 9.1; .*the newer", False),
    (half_manifest, HERON, "not in this report: its manifest is no JSON: half-written", False),
    (no_manifest, HERON, "not in this report: it has no manifest: its first export has not ended", False),
    (no_machines, HERON, "not in this report: the file tables/machines-.* is missing or cut off", False),
    (renamed, HERON, "not in this report: the same database writes as 'Heron Head' by now", False),
    (two_of_one_name, "Heron Head", "two databases write under the name 'Heron Point': both are shown", True),
    (clock_ahead, HERON, "its clock is 4 days ahead of this one", True),
    (clock_behind, HERON, "written 12 hours after what its clock said", True),
    (late, HERON, "its data ends on Thu 19 Nov: 4 days before this report's", True),
]  # fmt: skip


FOUND_BY_READING = (flipped, poisoned, late)
"""What shows only when the readings are read, or against the report's time."""


@pytest.mark.parametrize(
    ("spoil", "site", "said", "stands"), [row for row in SPOILED if row[0] not in FOUND_BY_READING],
    ids=[row[0].__name__ for row in SPOILED if row[0] not in FOUND_BY_READING],
)  # fmt: skip
def test_each_fault_of_the_lake_is_found_before_anything_is_read(lake, spoil, site, said, stands):
    spoil(lake)
    found = read_lake(open_place(str(lake)), EXPORTED_AT)
    words = {one.name: " ".join(one.faults) for one in found.sites}
    out = {one.name: f"not in this report: {one.why}" for one in found.left_out}
    assert re.search(said, words.get(site, "") or out.get(site, "")), (words, out)
    assert words[PLOVER] == words[AVOCET] == ""
    assert (HERON in words) is stands


@pytest.mark.long
@pytest.mark.parametrize(("spoil", "site", "said", "stands"), SPOILED, ids=[row[0].__name__ for row in SPOILED])
def test_each_fault_has_its_word_and_the_rest_is_made(lake, sound, tmp_path, spoil, site, said, stands):
    spoil(lake)
    view, files = written(lake, tmp_path / "out", engine=Engine(jobs=1))
    words = [word.words for word in view.words if word.site == site]
    assert any(re.search(said, word) for word in words), view.words
    assert said.split("|")[0][:12].replace("\\", "") in files["farmwatch-company-2026-W47.html"].decode() or words
    before = {row.name: row for row in sound[0].sites}
    now = {row.name: row for row in view.sites}
    assert now[PLOVER] == before[PLOVER]
    assert now[AVOCET] == before[AVOCET]
    assert (HERON in now) is stands


def test_what_is_nobodys_is_named_and_left_alone(lake):
    foreign(lake)
    found = read_lake(open_place(str(lake)), EXPORTED_AT)
    assert found.foreign == ("notes.txt", "other-program")
    assert len(found.sites) == 3


@pytest.mark.long
def test_a_poisoned_machine_leaves_its_neighbours_their_figures(lake, tmp_path):
    poisoned(lake)
    view, _ = written(lake, tmp_path / "out", engine=Engine(jobs=1))
    heron = next(row for row in view.sites if row.name == HERON)
    assert heron.sums.machines in (2, 3)
    assert heron.sums.past == 2


@pytest.mark.long
def test_a_site_that_is_to_be_there_and_is_not_is_named(three, tmp_path):
    company = COMPANY.model_copy(update={"sites": (HERON, "Tern Lock")})
    view, files = written(three[1], tmp_path, company, engine=Engine(jobs=1))
    assert [(word.site, word.words) for word in view.words] == [
        ("Tern Lock", "not in this report: it has nothing in the lake")
    ]
    assert "Not in this report: Tern Lock." in view.sentence
    assert "4" in files["farmwatch-company-2026-W47.html"].decode()


def test_an_empty_lake_says_what_to_do(tmp_path):
    (tmp_path / "lake").mkdir()
    view, _ = written(tmp_path / "lake", tmp_path / "out", engine=Engine(jobs=1))
    assert "export --lake" in view.sentence
    assert not view.sites


@pytest.mark.long
def test_a_lake_behind_a_url_gives_the_same(three, sound, tmp_path):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.put(str(three[1]), "/the-works", recursive=True)
    view, files = written("memory://the-works", tmp_path, engine=Engine(jobs=1), at=EXPORTED_AT)
    # The storage's own time is today's.
    assert [row.sums for row in view.sites] == [row.sums for row in sound[0].sites]
    assert files["farmwatch-company-2026-W47.csv"] == sound[1]["farmwatch-company-2026-W47.csv"]


def test_a_lake_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FarmwatchError, match="there is no such folder"):
        written(tmp_path / "lakee", tmp_path / "out", engine=Engine(jobs=1))


def test_a_week_that_has_not_begun_is_refused(three, tmp_path):
    with pytest.raises(InputError, match="has not begun"):
        written(three[1], tmp_path, week=Week.read("2026-W49"))


@pytest.mark.long
def test_its_links_lead_to_the_sites_editions(lake, tmp_path):
    rewritten(
        lake / folder_of(HERON) / MANIFEST, lambda d: d.update(edition="https://beds.heron.tidegate.example/reports")
    )
    _, files = written(lake, tmp_path, engine=Engine(jobs=1))
    page = files["farmwatch-company-2026-W47.html"].decode()
    assert 'href="https://beds.heron.tidegate.example/reports/farmwatch-2026-W47.html"' in page


@pytest.mark.long
def test_a_hostile_name_harms_neither_page_nor_table(lake, tmp_path):
    name = "=1+<script>alert(1)</script>"
    (lake / folder_of(HERON)).rename(lake / folder_of(name))
    rewritten(lake / folder_of(name) / MANIFEST, lambda d: d.update(site=name))
    _, files = written(lake, tmp_path, engine=Engine(jobs=1))
    assert b"<script" not in files["farmwatch-company-2026-W47.html"]
    assert b"\n'=1+" in files["farmwatch-company-2026-W47.csv"]


# Engines


def killing(first: int, flag: Path) -> Callable[[Task], TaskResult]:
    """Does a task, but the first time kills the process that does the one that begins with machine `first`."""
    whole = engines.run_task

    def run(task: Task) -> TaskResult:
        if task.first == first and not flag.exists():
            flag.write_text("killed")
            os.kill(os.getpid(), signal.SIGKILL)
        return whole(task)

    return run


@pytest.mark.long
def test_a_process_that_is_killed_costs_its_time_alone(three, sound, tmp_path, monkeypatch):
    monkeypatch.setattr("farmwatch.company.write.MACHINES_A_TASK", 2)
    monkeypatch.setattr(engines, "run_task", killing(2, tmp_path / "flag"))
    _, files = written(three[1], tmp_path / "out", engine=Engine(jobs=2))
    assert (tmp_path / "flag").exists()
    assert files == sound[1]


@pytest.mark.long
def test_a_task_that_kills_every_process_is_named_and_skipped(three, tmp_path, monkeypatch):
    def always(task: Task) -> TaskResult:
        if task.folder == folder_of(HERON):
            os.kill(os.getpid(), signal.SIGKILL)
        return whole(task)

    whole = engines.run_task
    monkeypatch.setattr(engines, "run_task", always)
    view, _ = written(three[1], tmp_path / "out", engine=Engine(jobs=2))
    assert [row.name for row in view.sites] == [AVOCET, PLOVER]
    assert "killed more than once" in next(word.words for word in view.words if word.site == HERON)


def test_an_engine_without_an_address_is_refused(three, tmp_path):
    with pytest.raises(InputError, match="wanted the address of a scheduler"):
        written(three[1], tmp_path, engine=Engine(address="localhost"))


@pytest.mark.long
def test_a_scheduler_that_is_not_there_is_said_and_the_report_is_made(three, sound, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(engines, "_REACHED_WITHIN", "0.5s")
    said: list[str] = []
    _, files = written(three[1], tmp_path, engine=Engine(jobs=1, address="tcp://127.0.0.1:9"), say=said.append)
    assert files == sound[1]
    assert len(said) == 1
    assert "cannot be reached" in said[0]
    assert "on this computer" in said[0]
