"""What hosts, files and people may send stands on every page letter by letter, and on none as markup or a control."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape

import pytest

from farmwatch.history import Note, OutOfService
from farmwatch.store import PollRecord
from tests.farm import NOW, bed, reading
from tests.hostile import TEXTS, steers, typed
from tests.pages.conftest import Pages

PAGES = (
    "/", "/?show=all", "/machines/heron-01", "/machines/heron-02", "/machines/heron-01/meshes", "/tickets",
    "/tickets/1", "/tickets/1/sheet", "/realign/heron-01", "/wall", "/hosts", "/reports", "/settings", "/you",
    "/api/fleet",
    "/api/tickets", "/api/tickets/1", "/api/assessment?machine=heron-01", "/api/machines/heron-01/readings",
    "/tickets/due-work.ics", "/metrics",
)  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize("kind", TEXTS)
def test_no_page_obeys_what_was_sent(farm: Pages, kind: str):
    hostile, said = TEXTS[kind], typed(TEXTS[kind])
    number = farm.ticket("heron-01").number
    minute = NOW + timedelta(minutes=1)
    farm.store.add_readings([reading(bed({"front-right": -0.4}, seed=5), days=0.0005, plate=said)])
    farm.store.add_note(Note(machine="heron-01", at=minute, what="other", by=said, text=said))
    farm.store.take_out(OutOfService(machine="heron-02", since=minute, reason=said))
    farm.store.add_round((), [PollRecord(machine="heron-01", at=minute, outcome="garbled", reason=hostile)])
    farm.book.act(number, "approve", at=minute, by=said, why=said)
    farm.book.act(number, "take", at=minute, by=said)
    farm.now = NOW + timedelta(minutes=2)
    farm.judge()
    browser = farm.client()
    shown = 0
    for path in PAGES:
        answer = browser.get(path)
        assert answer.status_code == 200, path
        text = answer.text
        if path.endswith(".ics") or path.startswith(("/api", "/metrics")):
            assert not steers(text, "\n\r"), path
            continue
        assert not steers(text), path
        assert not re.search(r"<script(?! src=)|<marquee|<a [^>]*http://x", text), path
        words = unescape(re.sub(r"<[^>]+>", "", text))
        shown += "alert(1)" in words if kind == "markup" else 1
    assert shown
