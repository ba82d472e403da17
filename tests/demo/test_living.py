"""The demo's farm goes on living: what jumps, what is turned as told, what is probed after work."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.collect import fetcher_for, poll_once
from farmwatch.config import load_settings
from farmwatch.demo import Serving, living_demo
from farmwatch.store import Move, Store

NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def polled(config: Path, now: datetime, name: str) -> tuple[int, float]:
    """A poll of all at `now`; how many new meshes came, and the newest range of one machine."""
    settings = load_settings(config)
    store = Store(settings.farm.database)
    with fetcher_for(settings) as fetcher:
        found = poll_once(settings, store, now, fetcher=fetcher, clock=lambda: now)
    return found.new_readings, store.latest([name])[name].mesh.range_mm


@pytest.mark.long
def test_a_screw_jumps_a_told_move_is_made_and_the_hosts_go_on_answering(tmp_path: Path) -> None:
    with living_demo(tmp_path / "d", weeks=4, machines=24, now=NOW, serving=Serving("127.0.0.1:0", 0.1)) as (
        result,
        farm,
    ):
        settings = load_settings(result.config)
        assert settings.poll.every_minutes == 0.1
        store = Store(settings.farm.database)
        farm.step(NOW + 30 * SECOND)
        assert polled(result.config, NOW + 30 * SECOND, farm.jumps)[0] == 0

        farm.step(NOW + 91 * SECOND)
        new, jumped = polled(result.config, NOW + 91 * SECOND, farm.jumps)
        assert (new, jumped > 0.2) == (1, True)
        farm.step(NOW + 155 * SECOND)
        assert polled(result.config, NOW + 155 * SECOND, farm.jumps)[0] == 1

        at, reading = NOW + 160 * SECOND, store.latest([farm.jumps])[farm.jumps]
        store.add_moves([Move(
            machine=farm.jumps, at=at, screw="front-left", teeth=1, mm=0.4, before_at=reading.taken_at,
            range_before_mm=jumped,
        )])  # fmt: skip
        farm.step(at + 5 * SECOND)
        assert polled(result.config, at + 5 * SECOND, farm.jumps)[0] == 0
        for later in (20, 25, 30):  # made once, however often it is looked at
            farm.step(at + later * SECOND)
        new, turned = polled(result.config, at + 30 * SECOND, farm.jumps)
        assert (new, turned < 0.12) == (1, True)
