"""Text from hosts, files and people, hostile in every way that is known, through everything that farmwatch writes."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

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

MACHINES = {f"{MACHINE} {number}": text for number, text in enumerate(TEXTS.values())}


class Farm:
    """A farm with a machine for each text, at which every text is that one."""

    def __init__(self, folder: Path) -> None:
        self.config = write_config(folder, [name.replace('"', '\\"') for name in MACHINES])
        self.settings = settings(folder, list(MACHINES)).model_copy(update={"path": self.config})
        self.store = Store(self.settings.farm.database)
        for name, text in MACHINES.items():
            self._fill(name, text)

    def _fill(self, name: str, text: str) -> None:
        lifted = [reading(bed({"front-left": 0.8}, seed=k), name, days=k - 10, plate=text) for k in range(4)]
        self.store.add_round(lifted, [PollRecord(machine=name, at=NOW, outcome="garbled", reason=text)])
        said = typed(text)
        self.store.add_note(Note(machine=name, at=NOW - timedelta(days=30), what="other", by=said, text=said))
        draft = Ticket(
            number=0, machine=name, cause="screws", phase="proposed", revision=0, opened_at=NOW, changed_at=NOW,
            range_mm=0.8, remark=said, advice=("realign",), priority=1,
        )  # fmt: skip
        numbers: list[int] = []
        book = TicketRepository(self.store)
        book.together(lambda open_: numbers.append(open_.open(draft, by=said, why=said).number))
        book.act(numbers[0], "approve", at=NOW, by=said, why=said)


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    return Farm(tmp_path_factory.mktemp("farm"))


@pytest.mark.long
def test_screens_show_it_letter_by_letter(farm: Farm, capsys: pytest.CaptureFixture[str]) -> None:
    each = [["machine", name] for name in MACHINES] + [["ticket", "show", str(k + 1)] for k in range(len(MACHINES))]
    for words in (["fleet"], ["assess"], ["ticket", "list"], *each):
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
    for name, text in list(MACHINES.items())[::2]:
        farm.store.take_out(OutOfService(machine=name, since=NOW - timedelta(hours=1), reason=typed(text)))
    path = write_report(farm.settings, farm.store, NOW)
    assert path.name == "farmwatch-2026-W47.html"
    whole = path.read_bytes().decode("utf-8")
    page = Page(whole)
    assert not steers(whole)
    assert "script" not in page.tags
    assert "marquee" not in page.tags
    assert all(name in page.words for name in MACHINES)


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
    found = import_files(other, [out / "readings.csv"], list(MACHINES), NOW)
    assert (found.stored, found.refused_count) == (4 * len(MACHINES), 0)
    plates = [{name: one.plate for name, one in store.latest().items()} for store in (farm.store, other)]
    assert plates[0] == plates[1]


@pytest.mark.parametrize("text", list(TEXTS.values()), ids=list(TEXTS))
def test_the_unit_has_its_own_directives_alone(farm: Farm, text: str) -> None:
    named = farm.settings.farm.model_copy(
        update={"name": text, "database": Path("/srv/tidegate/farm.duckdb"), "reports": Path("/srv/tidegate/reports")}
    )
    hostile = farm.settings.model_copy(update={"farm": named, "path": Path("/etc/farmwatch/config.toml")})
    plain = hostile.model_copy(update={"farm": named.model_copy(update={"name": FARM})})
    lines = [unit_text(one, Path("/opt/farmwatch/bin/farmwatch")).splitlines() for one in (hostile, plain)]
    differ = [(one, other) for one, other in zip(*lines, strict=True) if one != other]
    assert all(one.startswith("Description=") and one.isprintable() and other.startswith("Description=")
               for one, other in differ)  # fmt: skip
