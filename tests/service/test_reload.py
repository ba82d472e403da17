"""Configurations that change under load: rounds end by the one they began with, and nothing that was read is lost."""

from __future__ import annotations

import random
import threading
import time
from datetime import timedelta
from pathlib import Path

import pytest

from farmwatch.config import ConfigError, load_settings
from farmwatch.service.polling import Polling
from farmwatch.service.status import ServiceStatus
from farmwatch.store import DurableWriter, Store
from tests.farm import MODEL_TEXT
from tests.service.farm import CONFIG, NOW, beds, names, settings_in

MACHINES = 40
CHANGES = 60


def test_forty_machines_through_sixty_changes_lose_no_reading(tmp_path: Path) -> None:
    with beds(names(MACHINES)) as (host, given):
        whole = settings_in(tmp_path, host.address, names(MACHINES))
        store = Store(whole.farm.database)
        polling = Polling(whole, DurableWriter(store), ServiceStatus(NOW), threading.Event(), random.Random(1))
        stop, faults, rounds = threading.Event(), [], [0]

        def poll() -> None:
            try:
                while not stop.is_set():
                    rounds[0] += 1
                    polling.step(NOW + timedelta(minutes=6 * rounds[0]))
            except Exception as fault:
                faults.append(fault)

        thread = threading.Thread(target=poll)
        thread.start()
        rng = random.Random(7)
        for _ in range(CHANGES):
            kept = tuple(rng.sample(whole.machines, rng.randint(0, MACHINES)))
            every = whole.poll.model_copy(update={"every_minutes": rng.choice([1.0, 5.0, 60.0])})
            # A host that is taken away, a machine without one, another interval.
            polling.use(whole.model_copy(update={"machines": kept, "poll": every}))
            time.sleep(0.02)
        polling.use(whole)
        before = rounds[0]
        while rounds[0] < before + 3:
            time.sleep(0.01)
        stop.set()
        thread.join(60)
        polling.close()
        assert not faults
        assert store.reading_count() == sum(given.given.values())
        assert min(given.given.values()) >= 1


@pytest.fixture
def large(tmp_path: Path) -> Path:
    """A configuration of ten thousand machines, as a table."""
    path = tmp_path / "config.toml"
    path.write_text(
        CONFIG.format(model=MODEL_TEXT, every=30, more="").replace(
            "[farm]", 'machines_file = "machines.csv"\n[farm]', 1
        )
    )
    rows = [f"heron-{k:05d},heron,tideframe-220,survey,http://10.20.1.11/{k}" for k in range(10_000)]
    (tmp_path / "machines.csv").write_text("name,aisle,model,mapping,address\n" + "\n".join(rows) + "\n")
    return path


def test_ten_thousand_machines_are_read(large: Path) -> None:
    settings = load_settings(large)
    assert len(settings.machines) == 10_000
    assert settings.machine("heron-09999").address == "http://10.20.1.11/9999"
    polling = Polling(
        settings, DurableWriter(Store(settings.farm.database)), ServiceStatus(NOW), threading.Event(), random.Random(1)
    )
    assert len(polling._timetable.due(NOW).names) == 10_000
    polling.close()


def test_faults_among_ten_thousand_are_named_by_their_line(large: Path) -> None:
    table = large.with_name("machines.csv")
    lines = table.read_text().splitlines()
    lines[5_001] = lines[5_001].replace("tideframe-220", "tideframe-900")
    lines[10_000] = lines[1]
    table.write_text("\n".join(lines) + "\n")
    with pytest.raises(ConfigError) as caught:
        load_settings(large)
    said = str(caught.value)
    assert "5002" in said
    assert "10001" in said
