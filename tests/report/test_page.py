"""The page: self-contained, escaped, the same bytes for the same data, small."""

import base64
import hashlib
import os
import re
import subprocess
import sys
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import pytest
from markupsafe import escape

from farmwatch.judge import CAUTIONS
from farmwatch.report.page import render
from farmwatch.report.slips import SHEET_CAUTIONS
from farmwatch.report.view import FarmFacts, WeeklyView, weekly_view

RUDE = '<script>alert("x")</script>&\'"><img src=x onerror=y>\u202e\x1b'
VOID = {"meta", "br", "img", "link", "input", "hr"}


class Page(HTMLParser):
    """Reads a page strictly: every element closed in order; gathers elements and text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def page(view: WeeklyView) -> str:
    return render(view)


def test_the_page_is_well_formed_and_its_ids_are_its_own(page: str):
    read = Page(page)
    ids = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes in read.elements:
        for name in ("aria-labelledby", "href"):
            for wanted in (attributes.get(name) or "").replace("index.html", "").split():
                assert wanted.removeprefix("#") in ids


def test_nothing_comes_from_outside_and_nothing_runs(page: str):
    read = Page(page)
    tags = {tag for tag, _ in read.elements}
    assert not tags & {"script", "link", "img", "iframe", "object", "embed", "form", "input", "audio", "video", "base"}
    for _, attributes in read.elements:
        assert not [
            name for name in attributes if name.startswith("on") or name in ("src", "style", "srcset", "action")
        ]
        # The index of all weeks lies beside every page.
        assert (attributes.get("href") or "#").startswith("#") or attributes.get("href") == "index.html"
    assert "url(" not in page
    assert "@import" not in page


def test_the_policy_allows_this_style_block_and_nothing_else(page: str):
    (style,) = re.findall(r"<style>(.*?)</style>", page, re.S)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    (policy,) = [m["content"] for m in Page(page).named("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def test_tables_and_headings_are_for_everyone(page: str):
    read = Page(page)
    assert read.named("html")[0]["lang"] == "en"
    assert all(th.get("scope") in ("col", "row") for th in read.named("th"))
    assert len(read.named("h1")) == 1
    levels = [int(tag[1]) for tag, _ in read.elements if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    drawn = [svg for svg in read.named("svg") if svg.get("role") == "img"]
    silent = [svg for svg in read.named("svg") if svg.get("aria-hidden") == "true"]
    assert len(drawn) + len(silent) == len(read.named("svg"))


def rude_everywhere(invented: ModuleType, farm: FarmFacts) -> WeeklyView:
    def rude(fleet):
        return replace(
            fleet,
            machines=tuple(
                replace(
                    m,
                    machine=f"{i}{RUDE}",
                    aisle=RUDE,
                    out_reason=RUDE,
                    last_reason=RUDE,
                    reasons=(RUDE,) if m.reasons else (),
                    warnings=(RUDE,) if m.warnings else (),
                    reading=m.reading and replace(m.reading, plate=RUDE, why_not_judged=RUDE),
                    model=replace(m.model, name=RUDE),
                )
                for i, m in enumerate(fleet.machines)
            ),
        )

    now, before = rude(invented.invented_fleet()), rude(invented.invented_fleet(invented.WEEK_START))
    return weekly_view(now, before, replace(farm, name=RUDE))


def test_foreign_text_is_only_text(invented: ModuleType, farm: FarmFacts, page: str):
    text = render(rude_everywhere(invented, farm))
    read, usual = Page(text), Page(page)
    assert {tag for tag, _ in read.elements} == {tag for tag, _ in usual.elements}
    assert "\u202e" not in text
    assert "\x1b" not in text
    words = "".join(read.words)
    assert words.count('<script>alert("x")</script>') > 60
    for name, _ in {(name, None) for _, attributes in read.elements for name in attributes}:
        assert name in {n for _, attributes in usual.elements for n in attributes}


def test_every_caution_stands_before_the_first_move(page: str):
    words = " ".join("".join(Page(page).words).split())
    places = [words.index(" ".join(caution.split())) for caution in CAUTIONS]
    assert places == sorted(places)
    assert places[-1] < words.index("Raise screw 2, FRONT RIGHT")
    assert words.index("Read the cautions before any work") < places[0]


def test_every_sheet_has_the_cautions_before_its_first_step(page: str):
    sheets = page.split('<article class="machine"')[1:]
    assert len(sheets) == 7
    for sheet in sheets:
        for caution in SHEET_CAUTIONS:
            assert str(escape(caution)) in sheet.split('class="steps"')[0]
        assert "Reading after" in sheet.split('class="steps"')[1]


def front_page(view: WeeklyView) -> str:
    """The first page's markup, without the drawing for a narrow screen and what is there for screen readers alone."""
    page = render(view).split('<section class="front" aria-labelledby="farm">')[1]
    front = re.split(r'<section[^>]*aria-labelledby="(?:finder|moved)"', page)[0]
    front = re.sub(r'<svg class="strip narrow".*?</svg>', "", front, flags=re.S)
    return re.sub(r"<(title|desc)[^>]*>.*?</\1>", "", front, flags=re.S)


def words_of(markup: str) -> str:
    return unescape(" ".join(re.sub(r"</?(?:span|a|b)[^>]*>", "", markup).replace("<", " <").split())).strip()


def test_the_first_page_has_at_most_250_words_and_no_command(with_tickets: WeeklyView):
    front = front_page(with_tickets)
    text = unescape(re.sub(r"<[^>]+>", " ", front))
    words = [word for word in text.split() if any(letter.isalpha() for letter in word)]
    assert 100 < len(words) <= 250
    assert "<code>" not in front


def test_worst_machine_why_next_action_who_and_hours_stand_at_the_top(with_tickets: WeeklyView):
    """What a manager asks in the first thirty seconds, from the rendered page alone."""
    sentence = words_of(front_page(with_tickets).split('<p class="sentence">')[1].split("</p>")[0])
    assert len(sentence.split()) < 60
    assert "Worst: plover-03, 2.03 mm (tilt)" in sentence
    assert "inspect belt and pulleys, about 2.5 h, waits for the manager" in sentence


def test_cautions_stand_where_only_shims_are_advised(invented: ModuleType, farm: FarmFacts):
    floor = replace(
        invented.machine("heron-01", invented.bed((0.16, -0.13), 0.05)), at_tooth_floor=True, advice=("shim",)
    )
    fleet = replace(invented.invented_fleet(), machines=(floor,))
    text = render(weekly_view(fleet, fleet, farm))
    assert all(Page(text).words and caution[:30] in text for caution in CAUTIONS)


def test_what_is_not_known_is_said_or_left_out(invented: ModuleType, farm: FarmFacts):
    plain = [
        replace(m, trace=None, drift=None, forecast=None, steps=(), suspected_step=None)
        for m in invented.invented_fleet().machines
    ]
    fleet = replace(invented.invented_fleet(), machines=tuple(plain))
    none = replace(fleet, at=invented.WEEK_START, machines=())
    words = "".join(Page(render(weekly_view(fleet, none, farm))).words)
    assert "No machine's history is long enough yet" in words
    assert "First report: there is no earlier week" in words
    assert "This is the first report of this farm" in words
    assert "Coming in four weeks" not in words
    assert "Machines that slip again" in words, "the drive to inspect is known from the advice"
    assert "None" not in words.replace("None of", "")
    assert "nan" not in words


@pytest.mark.parametrize("case", ["empty", "healthy", "one", "past"])
def test_every_farm_gives_a_page(case: str, invented: ModuleType, farm: FarmFacts):
    healthy = [invented.machine(f"heron-{i:02d}", invented.bed(seed=i)) for i in range(12)]
    past = [invented.machine(f"heron-{i:02d}", invented.bed((0.4 + 0.1 * i, 0), seed=i)) for i in range(40)]
    machines = {"empty": [], "healthy": healthy, "one": healthy[:1], "past": past}[case]
    fleet = replace(invented.invented_fleet(), machines=tuple(machines))
    read = Page(render(weekly_view(fleet, fleet, farm)))
    headings = len(read.named("h2"))
    assert {"empty": 1, "healthy": 8, "one": 8, "past": 10}[case] <= headings <= 12
    assert len([a for a in read.named("article") if (a.get("id") or "").startswith("sheet")]) == min(
        24, len(past) if case == "past" else 0
    )


def test_a_thousand_machines_stay_under_3_mb(invented: ModuleType, farm: FarmFacts):
    now, before = invented.large_fleet(1000), invented.large_fleet(1000, invented.WEEK_START)
    text = render(weekly_view(now, before, farm))
    assert len(text.encode()) < 3_000_000
    assert text.count('class="stamp"') == 1000


SCRIPT = """
import hashlib, sys
sys.path.insert(0, sys.argv[1])
import invented
from zoneinfo import ZoneInfo
from farmwatch.report.page import render
from farmwatch.report.view import FarmFacts, weekly_view
from farmwatch.report.week import Week
farm = FarmFacts(name="Saltmarsh Tidegate Works", zone=ZoneInfo("Europe/Dublin"), week=Week(2026, 47))
page = render(weekly_view(invented.invented_fleet(), invented.invented_fleet(invented.WEEK_START), farm))
print(hashlib.sha256(page.encode()).hexdigest())
"""


def test_the_same_data_gives_the_same_bytes_whatever_the_process(page: str):
    """Hash seed, time zone and locale of the process change nothing."""
    running = [
        subprocess.Popen(
            [sys.executable, "-c", SCRIPT, str(Path(__file__).parent)],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale},
            stdout=subprocess.PIPE,
            text=True,
        )
        for seed, zone, locale in (("1", "Pacific/Auckland", "C.UTF-8"), ("4242", "America/St_Johns", "C"))
    ]
    said = [process.communicate(timeout=60)[0].strip() for process in running]
    assert said == [hashlib.sha256(page.encode()).hexdigest()] * 2


def test_every_machine_is_found_and_its_link_leads_to_its_moves(with_tickets: WeeklyView):
    page = render(with_tickets)
    finder = page.split('<section class="directory')[1].split("</section>")[0]
    links = {re.sub(r"<[^>]+>", "", name): to for to, name in re.findall(r'href="#([^"]+)">(.*?)</a>', finder)}
    assert set(links) == {row.machine for row in with_tickets.fleet}
    ids = set(re.findall(r' id="([^"]+)"', page))
    assert set(links.values()) <= ids
    assert links["plover-05"].startswith("steps")
    assert links["plover-04"].startswith("slip")
    assert links["heron-02"].startswith("row")
