"""The clock set back under a running scheduler: the steps look again at once, and not an hour later."""

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.config import ServiceSection
from farmwatch.service.clock import ClockWatch
from farmwatch.service.running import Service
from tests.service.farm import beds, names, settings_in


def test_a_clock_set_back_an_hour_does_not_stop_the_polls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with beds(names(1)) as (host, given):
        settings = settings_in(tmp_path, host.address, names(1), service=ServiceSection(listen="127.0.0.1:0"))
        service = Service(settings)
        # Errands are not what this is about.
        monkeypatch.setattr(service.jobs, "step", lambda now: None)
        scheduler = service._scheduler
        scheduler.start()
        try:
            _wait(lambda: given.given["heron-01"] == 1)
            # As the scheduler sees it once the clock is an hour behind: its next moments lie an hour ahead.
            for job in scheduler.get_jobs():
                job.modify(next_run_time=datetime.now(UTC) + timedelta(hours=1))
            service.polling.use(settings.model_copy(update={"machines": ()}))
            service.polling.use(settings)  # the machine is due again
            time.sleep(0.5)
            assert given.given["heron-01"] == 1
            service._look(ClockWatch(time.time() + 3600, time.monotonic()))
            _wait(lambda: given.given["heron-01"] == 2)
        finally:
            service.stop.set()
            scheduler.shutdown()
            service.listener.close()
            service.polling.close()


def _wait(until: object) -> None:
    end = time.monotonic() + 20
    while not until():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.02)
