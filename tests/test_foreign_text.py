"""Text from hosts, files and people, hostile in every way that is known, through everything that farmwatch writes."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from farmwatch.cli import run
from farmwatch.exchange import export_readings, import_files
from farmwatch.history import Note, OutOfService
from farmwatch.report import write_report
from farmwatch.service import unit_text
from farmwatch.store import PollRecord, Store
from farmwatch.tickets import Ticket, TicketRepository
from tests.farm import FARM, NOW, bed, reading, settings, write_config
from tests.hostile import MACHINE, TEXTS, steers, typed


class Farm:
    """A farm in which every text is the hostile one."""

    def __init__(self, folder: Path, text: str) -> None:
        self.text = text
        folder.mkdir(exist_ok=True)
        self.config = write_config(folder, [MACHINE.replace('"', '\\"')])
        self.settings = settings(folder, [MACHINE]).model_copy(update={"path": self.config})
        self.store = Store(self.settings.farm.database)
        lifted = [reading(bed({"front-left": 0.8}, seed=k), MACHINE, days=k - 10, plate=text) for k in range(8)]
        self.store.add_readings(lifted)
        self.store.add_polls([PollRecord(machine=MACHINE, at=NOW, outcome="garbled", reason=text)])
        self.store.add_note(
            Note(machine=MACHINE, at=NOW - timedelta(days=30), what="other", by=typed(text), text=typed(text))
        )
        book = TicketRepository(self.store)
        draft = Ticket(
            number=0, machine=MACHINE, cause="screws", phase="proposed", revision=0, opened_at=NOW, changed_at=NOW,
            range_mm=0.8, remark=typed(text), advice=("realign",), priority=1,
        )  # fmt: skip
        book.together(lambda transaction: self._open(transaction, draft))
        book.act(1, "approve", at=NOW, by=typed(text), why=typed(text))

    def _open(self, transaction: Any, draft: Ticket) -> None:
        transaction.open(draft, by=typed(self.text), why=typed(self.text))


@pytest.fixture(params=list(TEXTS))
def farm(request: pytest.FixtureRequest, tmp_path: Path) -> Farm:
    return Farm(tmp_path / "farm", TEXTS[request.param])


def test_screens_show_it_letter_by_letter(farm: Farm, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["fleet"], ["machine", MACHINE], ["assess"], ["ticket", "list"], ["ticket", "show", "1"]):
        assert run(["--config", str(farm.config), *words]) == 0
        out = capsys.readouterr().out
        assert not steers(out), words
        assert MACHINE.split("|")[0] in out


class Page(HTMLParser):
    """Tags of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_report_shows_it_letter_by_letter(farm: Farm) -> None:
    farm.store.take_out(OutOfService(machine=MACHINE, since=NOW - timedelta(hours=1), reason=typed(farm.text)))
    path = write_report(farm.settings, farm.store, NOW)
    assert path.name == "farmwatch-2026-W47.html"
    text = path.read_bytes().decode("utf-8")
    page = Page(text)
    assert not steers(text)
    assert "script" not in page.tags
    assert "marquee" not in page.tags
    assert MACHINE in page.words


def test_a_csv_cell_is_no_formula_and_comes_back_as_it_was(farm: Farm, tmp_path: Path) -> None:
    out = tmp_path / "out"
    export_readings(farm.store, out, "csv")
    rows = list(csv.reader(io.StringIO((out / "readings.csv").read_text(encoding="utf-8"), newline="")))
    assert {len(row) for row in rows} == {len(rows[0])}
    # A number may be negative; a text may not begin as a formula does.
    numbers = {rows[0].index(name) for name in ("x", "y", "z")}
    cells = {cell for row in rows for at, cell in enumerate(row) if at not in numbers}
    assert not [cell for cell in cells if cell[:1] in set("=+-@\t\r\n")]
    other = Store(tmp_path / "other.duckdb")
    found = import_files(other, [out / "readings.csv"], [MACHINE], NOW)
    assert (found.stored, found.refused_count) == (8, 0)
    assert {one.plate for one in other.latest().values()} == {one.plate for one in farm.store.latest().values()}


def test_the_unit_has_its_own_directives_alone(farm: Farm) -> None:
    named = farm.settings.farm.model_copy(
        update={"name": farm.text, "database": Path("/srv/farm/farm.duckdb"), "reports": Path("/srv/farm/reports")}
    )
    hostile = farm.settings.model_copy(update={"farm": named, "path": Path("/etc/farmwatch/config.toml")})
    plain = hostile.model_copy(update={"farm": named.model_copy(update={"name": FARM})})
    lines = [unit_text(one, Path("/opt/farmwatch/bin/farmwatch")).splitlines() for one in (hostile, plain)]
    differ = [(one, other) for one, other in zip(*lines, strict=True) if one != other]
    assert all(one.startswith("Description=") and one.isprintable() and other.startswith("Description=")
               for one, other in differ)  # fmt: skip
