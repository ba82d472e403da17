"""Reading kept answers anew: a wrong mapping is corrected, its readings with it, and all of it can be undone."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import orjson
import pytest
from hypothesis import Phase
from hypothesis import settings as given_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

from farmwatch.assess import assess
from farmwatch.cli import run
from farmwatch.collect import poll_once
from farmwatch.config import load_settings
from farmwatch.judge import assessment_document
from farmwatch.reread import plan_reread
from farmwatch.store import DurableWriter, Store
from tests.collect.hosts import serving

START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=20)
AXIS = np.linspace(10.0, 210.0, 5)
CORNERS = ("front-left", "front-right", "rear-left", "rear-right")

CONFIG = """\
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farm.duckdb"
reports = "reports"
keep_answers = {keep}

[models.tideframe-220]
lead_mm = 8.0
pulley_teeth = 20
clockwise = "raises"
screws = [
  {{ name = "front-left", at = [20, 10] }},
  {{ name = "front-right", at = [200, 10] }},
  {{ name = "rear", at = [110, 215], reference = true }},
]

[mappings.survey-rows]
path = "/mesh"
heights = "$.grid"
first = "{first}"
unit = "{unit}"
x = [10, 210]
y = [10, 210]
taken_at = "$.t"

[[machines]]
name = "heron-01"
model = "tideframe-220"
mapping = "survey-rows"
address = "{address}"
"""


class Farm:
    """A farm of one machine, whose host shows what it is told and whose mapping can be changed."""

    def __init__(self, folder: Path, host: Any, keep: int = 400) -> None:
        self.folder, self.host, self.keep = folder, host, keep
        self.hours = 0
        self.use()
        self.store = Store(folder / "farm.duckdb")

    def use(self, first: str = "front-left", unit: str = "mm") -> None:
        self.config = self.folder / "config.toml"
        self.config.write_text(CONFIG.format(first=first, unit=unit, keep=self.keep, address=self.host.address))
        self.settings = load_settings(self.config)

    def probe(self, seed: int = 0, tilt: float = 0.6) -> None:
        """A new mesh on the host, higher on the right by `tilt`."""
        rng = np.random.default_rng(seed)
        rows = (np.linspace(0, tilt, 5) + rng.normal(0, 0.01, (5, 5))).round(4)
        self.hours += 6
        at = START + timedelta(hours=self.hours)
        self.host.scripts["/mesh"] = {"grid": rows.tolist(), "t": at.isoformat()}

    def poll(self, store: Store | None = None) -> str:
        now = START + timedelta(hours=self.hours, minutes=5)
        return poll_once(self.settings, store or self.store, now, clock=lambda: now).records[0].outcome

    def reread(self) -> Any:
        found = plan_reread(self.settings, self.store)
        found.carry_out(self.store, START)
        return found

    def document(self, store: Store | None = None) -> bytes:
        found = assess(self.settings, store or self.store, START + timedelta(days=19))
        return orjson.dumps(assessment_document(found))

    @property
    def machine(self) -> dict[str, Any]:
        machine: dict[str, Any] = orjson.loads(self.document())["machines"][0]
        return machine


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    with serving({}) as host:
        yield Farm(tmp_path, host)


def test_a_mirrored_mapping_is_corrected_with_its_readings(farm: Farm, capsys: pytest.CaptureFixture[str]) -> None:
    farm.use(first="front-right")
    for seed in range(4):
        farm.probe(seed)
        assert farm.poll() == "new"
    assert farm.machine["tilt"]["high_side"] == "left"
    farm.use(first="front-left")

    assert run(["--config", str(farm.config), "machine", "heron-01"]) == 0
    assert "farmwatch reread --machine heron-01" in " ".join(capsys.readouterr().out.split())
    assert farm.machine["reading"] is None

    assert run(["--config", str(farm.config), "reread", "--yes"]) == 0
    out = capsys.readouterr().out
    assert "range before, mm" in out
    assert "4 readings read anew" in out
    assert farm.machine["tilt"]["high_side"] == "right"
    assert farm.machine["confirmed"]
    with farm.store.database.reading() as con:
        assert con.execute("SELECT machine, readings FROM rereads").fetchall() == [("heron-01", 4)]


def test_without_a_yes_nothing_is_changed(
    farm: Farm, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    farm.probe()
    farm.poll()
    before = farm.store.reading_slice(0, 9)[0].mesh.digest()
    farm.use(first="rear-left")
    monkeypatch.setattr("click.confirm", lambda *_, **__: False)
    assert run(["--config", str(farm.config), "reread", "--mapping", "survey-rows"]) == 0
    assert "nothing was changed" in capsys.readouterr().out
    assert farm.store.reading_slice(0, 9)[0].mesh.digest() == before


def test_two_readings_of_one_answer_never_stand_side_by_side(farm: Farm) -> None:
    farm.probe()
    farm.poll()
    farm.use(first="front-right")
    farm.hours += 1
    # The host goes on showing the mesh, which the corrected mapping reads otherwise.
    assert farm.poll() == "new"
    assert farm.store.reading_count() == 2
    assert len(farm.store.histories(read_by=farm.settings.read_by)["heron-01"]) == 1
    farm.reread()
    (left,) = farm.store.reading_slice(0, 9)
    assert left.taken_at == START + timedelta(hours=6)
    assert farm.poll() == "same"


def test_a_unit_is_corrected_and_the_table_shows_by_how_much(farm: Farm, capsys: pytest.CaptureFixture[str]) -> None:
    farm.use(unit="um")
    farm.probe()
    farm.poll()
    farm.use(unit="mm")
    assert run(["--config", str(farm.config), "reread", "--yes", "--machine", "heron-01"]) == 0
    row = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("heron-01"))
    assert row.split()[1:3] == ["1", "0.001"]
    assert float(row.split()[3]) > 0.5


def test_what_was_not_kept_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with serving({}) as host:
        farm = Farm(tmp_path, host, keep=0)
        farm.probe()
        farm.poll()
        farm.use(first="front-right")
        assert run(["--config", str(farm.config), "reread", "--yes"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "heron-01: 1 reading cannot be read anew: the answer was not kept" in out
    assert "nothing to read anew" in out


def test_answers_are_bounded_and_the_newest_stay(farm: Farm) -> None:
    for seed in range(5):
        farm.probe(seed)
        farm.poll()
    assert farm.store.thin_answers(2) == 3
    farm.use(first="front-right")
    found = plan_reread(farm.settings, farm.store)
    assert [kept.taken_at for kept, _ in found.anew] == [START + timedelta(hours=h) for h in (24, 30)]
    assert found.without_answer == {"heron-01": 3}


def test_an_answer_goes_through_the_pending_file(farm: Farm) -> None:
    farm.probe()
    writer = DurableWriter(Store(farm.folder / "farm.duckdb", patience_seconds=0.1))
    farm.poll()
    kept, _ = farm.store.answers_of_other_mappings({"heron-01": "another"})
    (stored,) = farm.store.reading_slice(0, 9)
    object.__setattr__(stored, "answer", kept[0].answer)
    writer.pending.append([stored], ())
    (waiting,) = writer.pending.waiting()
    assert waiting.answer == kept[0].answer
    assert waiting.read_by == farm.settings.read_by["heron-01"]


def test_an_answer_with_a_secret_in_it_is_not_kept(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOP_KEY", "barnacle-7")
    farm.probe()
    farm.host.scripts["/mesh"]["you_sent"] = "barnacle-7"
    text = farm.config.read_text().replace(
        'path = "/mesh"\n', 'path = "/mesh"\nheaders = { "X-Shop-Key" = "env:SHOP_KEY" }\n'
    )
    farm.config.write_text(text)
    farm.settings = load_settings(farm.config)
    assert farm.poll() == "new"
    assert farm.store.answers_of_other_mappings({"heron-01": "another"}) == ([], {"heron-01": 1})


def test_readings_from_before_marks_were_kept_are_judged_as_ever(farm: Farm) -> None:
    farm.probe()
    farm.poll()
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{farm.store.path}' AS f")
        con.execute("UPDATE f.readings SET read_by = NULL")
    farm.use(first="front-right")
    assert farm.machine["reading"] is not None
    assert farm.store.other_mappings(farm.settings.read_by) == {}


@pytest.mark.parametrize("change", ["name", "path", "headers"])
def test_what_does_not_shape_the_mesh_leaves_the_mark(farm: Farm, change: str) -> None:
    mapping = farm.settings.mappings["survey-rows"]
    other = mapping.model_copy(update={change: {"name": "other", "path": "/else", "headers": {"a": "b"}}[change]})
    assert other.mark == mapping.mark
    assert mapping.model_copy(update={"first": "rear-left"}).mark != mapping.mark


class UndoEverything(RuleBasedStateMachine):
    """Meshes come, the mapping is changed, answers are read anew: put back, all is as if nothing had been changed."""

    def __init__(self) -> None:
        super().__init__()
        self.stack = ExitStack()
        folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory()))
        self.farm = Farm(folder, self.stack.enter_context(serving({})))
        self.untouched = Store(folder / "untouched.duckdb")
        self.farm.probe()
        self.first = "front-left"
        self._both()

    def _both(self) -> None:
        self.farm.poll()
        self.farm.use()
        self.farm.poll(self.untouched)
        self.farm.use(self.first)

    @rule(seed=st.integers(0, 99), tilt=st.sampled_from([0.05, 0.3, 0.6]))
    def mesh(self, seed: int, tilt: float) -> None:
        self.farm.probe(seed, tilt)
        self._both()

    @rule(first=st.sampled_from(CORNERS))
    def change(self, first: str) -> None:
        self.first = first
        self.farm.use(first)

    @rule()
    def reread(self) -> None:
        self.farm.reread()
        assert self.farm.store.other_mappings(self.farm.settings.read_by) == {}

    @rule()
    def shown_again(self) -> None:
        self.farm.hours += 1
        self._both()

    def teardown(self) -> None:
        with self.stack:
            self.farm.use()
            self.farm.reread()
            assert self.farm.document() == self.farm.document(self.untouched)


TestUndoEverything = pytest.mark.long(UndoEverything.TestCase)
TestUndoEverything.settings = given_settings(
    max_examples=8, stateful_step_count=7, deadline=None, phases=[Phase.generate], derandomize=True
)
