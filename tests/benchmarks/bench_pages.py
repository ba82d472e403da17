"""What a page of the fleet costs: `python -m tests.benchmarks.bench_pages [MACHINES] [TURNS]`.

The processor's milliseconds of one `/` at 1,000 machines, cold (the summaries read anew from the service's file, the
tickets from the database, the page made), and unchanged (the browser asks by ETag), in turns with a bare Flask page of
the same size. Then 20 browsers that ask without a pause beside rounds of polls, and the rounds' times without them.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import random

import requests
from flask import Flask, Response

from farmwatch.config.settings import ServiceSection
from farmwatch.pages import PagesServer, make_app
from farmwatch.store import Store
from tests.report.invented import large_fleet
from tests.service.farm import beds, names, polling, settings_in
from tests.service.pages_farm import farm_of, lent_to_pages

# On average every half minute.
EVERY_SECONDS = 60.0
NOW = datetime(2026, 11, 23, 6, tzinfo=UTC)


def bare_of(size: int) -> Flask:
    """A Flask page of as many bytes that does nothing else."""
    bare, body = Flask("bare"), b"x" * size
    bare.add_url_rule("/", "page", lambda: Response(body, content_type="text/html"))
    return bare


def milliseconds(of: object) -> float:
    """What calling it takes of this process's processor time."""
    start = time.process_time()
    of()  # type: ignore[operator]
    return 1000 * (time.process_time() - start)


def pages(machines: int, turns: int) -> None:
    """Cold, unchanged and bare, in turns."""
    with tempfile.TemporaryDirectory() as folder:
        app, clock, judged, write = farm_of(Path(folder), machines)
        browser = app.test_client()
        first = browser.get("/")
        bare = bare_of(len(first.data)).test_client()
        bare.get("/")
        cold, unchanged, plain = [], [], []
        for _ in range(turns):
            # As the service writes it every five minutes: nothing that was kept holds.
            clock[0] += timedelta(minutes=5)
            judged = replace(judged, at=clock[0])
            write(judged)
            cold.append(milliseconds(lambda: browser.get("/")))
            tag = browser.get("/").headers["ETag"]
            unchanged.append(milliseconds(lambda tag=tag: browser.get("/", headers={"If-None-Match": tag})))
            plain.append(milliseconds(lambda: bare.get("/")))
    for name, found in (("cold", cold), ("unchanged", unchanged), ("bare", plain)):
        print(f"/ of {machines} machines, {len(first.data)} bytes, {name}: {_said(found)} ms of the processor")
    print(f"cold to bare: {statistics.median(cold) / statistics.median(plain):.1f}")


def rounds(machines: int, turns: int, browsers: int) -> None:
    """Rounds of polls with and without browsers, in turns; the browsers ask a served farm of the same process."""
    with tempfile.TemporaryDirectory() as folder, beds(names(machines)) as (host, _):
        settings = settings_in(Path(folder), host.address, names(machines))
        store = Store(settings.farm.database)
        asking = polling(settings, store)
        judged = large_fleet(machines)
        fleet = replace(
            judged, machines=tuple(replace(m, machine=n) for m, n in zip(judged.machines, names(machines), strict=True))
        )
        moment = [NOW]
        lent = replace(lent_to_pages(settings, store, moment), judged=lambda _settings, _now: fleet)
        server = PagesServer(make_app(lent), ServiceSection.model_validate({"listen": "127.0.0.1:0"}))
        server.start()
        with_them, without, served = [], [], [0]
        stop, opened = threading.Event(), threading.Event()
        crowd = [threading.Thread(target=_look, args=(server.port, stop, opened, served)) for _ in range(browsers)]
        for one in crowd:
            one.start()
        for turn in range(2 * turns):
            (opened.set if turn % 2 else opened.clear)()
            time.sleep(1.0)
            moment[0] += timedelta(minutes=6)
            start = time.monotonic()
            asking.step(moment[0])
            (with_them if turn % 2 else without).append(1000 * (time.monotonic() - start))
        stop.set()
        opened.set()
        for one in crowd:
            one.join()
        server.close()
        asking.close()
    print(f"a round of {machines} polls alone: {_said(without)} ms on the clock")
    print(f"with {browsers} browsers, {served[0]} pages served: {_said(with_them)} ms")
    print(f"ratio {statistics.median(with_them) / statistics.median(without):.2f}")


def _look(port: int, stop: threading.Event, opened: threading.Event, served: list[int]) -> None:
    """A browser with the page open: it asks every half minute whether the page is still so."""
    tag = ""
    with requests.Session() as session:
        while not stop.wait(EVERY_SECONDS * random()):
            opened.wait()
            answer = session.get(f"http://127.0.0.1:{port}/", headers={"If-None-Match": tag}, timeout=30)
            tag = answer.headers.get("ETag", tag)
            served[0] += 1


def _said(found: list[float]) -> str:
    quarter = statistics.quantiles(found, n=4)
    return f"{statistics.median(found):.1f} ({quarter[0]:.1f} to {quarter[2]:.1f})"


def main() -> None:
    """Both figures."""
    machines, turns = (int(text) for text in (*sys.argv[1:3], "1000", "15")[:2]) if len(sys.argv) > 2 else (1000, 15)
    pages(machines, turns)
    rounds(min(machines, 300), turns, 20)


if __name__ == "__main__":
    main()
