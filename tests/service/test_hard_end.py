"""TERM ends the process within its bounds, whatever hangs in it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from farmwatch.service import running
from tests.service.farm import beds, names, write_config

pytestmark = pytest.mark.long

PATIENCE = 60.0

# `farmwatch run` with something that hangs, and shorter bounds.
HANGING = """
import sys, time
from pathlib import Path
from farmwatch.config import load_settings
from farmwatch.service import running

def hang(*_, **__):
    print("hangs", flush=True)
    time.sleep(1000)

running.ENDING_SECONDS, running.HARD_END_SECONDS = 1.0, 2.0
what = sys.argv[2]
if what == "start":
    running.Store.check = hang
elif what == "delivery":
    running.Deliveries.step = hang
elif what == "reload":
    running.Service.reload = hang
settings = load_settings(Path(sys.argv[1]))
import os
done = running.run_service(settings)
if not done:
    os._exit(1)
"""


@pytest.mark.parametrize("what", ["start", "delivery", "reload"])
def test_term_ends_it_whatever_hangs(tmp_path: Path, what: str) -> None:
    with beds(names(1)) as (host, _):
        config = write_config(tmp_path, host.address, names(1))
        command = [sys.executable, "-c", HANGING, str(config), what]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            if what == "reload":
                while "event=poll " not in process.stderr.readline():
                    assert process.poll() is None
                process.send_signal(signal.SIGHUP)
            assert process.stdout.readline() == "hangs\n"
            begin = time.monotonic()
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=PATIENCE)
            # Well under the time that it would hang; the bound itself is the process's own.
            assert time.monotonic() - begin < PATIENCE / 2
        assert process.returncode == (0 if what == "delivery" else 1)
        assert ("ended-hard" in said) == (what != "delivery")


# Whatever the main thread does, the thread that takes the signals in ends the process.
HANGING_MAIN = """
import signal, sys, time
from farmwatch.service.process import Signals
with Signals(signal.SIGTERM, hard_end_seconds=0.2):
    print("hangs", flush=True)
    time.sleep(1000)
"""


def test_a_main_thread_that_hangs_is_ended() -> None:
    with subprocess.Popen([sys.executable, "-c", HANGING_MAIN], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "hangs\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE) == 1


def test_the_bounds_are_within_ten_seconds() -> None:
    assert running.ENDING_SECONDS < running.HARD_END_SECONDS < 10
