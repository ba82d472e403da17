"""Forty machines set up as a newcomer would: from `init` to a proven repair, by command lines alone.

The hosts are awkward (tests/awkward.py); four of them are in trouble. Mistakes are made on the way and put right. What
a person does beside typing commands is to edit the two files and to turn a screw.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from farmwatch.cli import run
from farmwatch.cli.app import App
from tests.awkward import KEY, NETWORK, AwkwardHosts

NAMES = [
    f"{aisle}-{n:02d}" for aisle, most in (("heron", 14), ("plover", 14), ("avocet", 12)) for n in range(1, most + 1)
]
KINDS = ["rows"] * 10 + ["rear"] * 8 + ["points"] * 6 + ["text"] * 4 + ["gaps"] * 5 + ["keyed"] * 7
OFF, RUBBISH, EMPTY, SHUT = "heron-13", "plover-07", "avocet-02", "avocet-12"


class Bench:
    """A shell in an empty folder, a clock, and the farm's hosts."""

    def __init__(self, hosts: AwkwardHosts, capture: pytest.CaptureFixture[str]) -> None:
        self.hosts, self.capture = hosts, capture
        self.now = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
        self.port = str(hosts.port)

    def __call__(self, line: str, expect: int = 0, config: bool = True) -> str:
        """What a command line prints; a fault of its own fails here, with what it said."""
        self.capture.readouterr()
        words = [*(["--config", "farm/config.toml"] if config else []), *re.findall(r'"[^"]*"|\S+', line)]
        code = run([word.strip('"') for word in words])
        out, err = self.capture.readouterr()
        assert code == expect, f"{line}: {code}\n{err}{out}"
        return " ".join((out if code != 2 else err).split())

    def append(self, line: str, file: str, config: bool = True) -> str:
        """farmwatch ... >> FILE"""
        self.capture.readouterr()
        words = [*(["--config", "farm/config.toml"] if config else []), *line.split()]
        assert run(words) == 0
        out, err = self.capture.readouterr()
        assert err == ""
        path = Path(file)
        path.write_text(path.read_text() + out)
        return out

    def edit(self, file: str, old: str, new: str) -> None:
        """What a person changes in a file: every place where it stands."""
        path = Path(file)
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))

    def wait(self, hours: float, *, probe: bool = True) -> None:
        """Hours go by; then every machine is probed."""
        self.now += timedelta(hours=hours)
        if probe:
            self.hosts.probe(self.now - timedelta(minutes=20))


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Bench:
    hosts = AwkwardHosts(dict(zip(NAMES, KINDS, strict=True)))
    hosts.hosts[OFF].off = True
    hosts.hosts[RUBBISH].odd = (200, "text/html", b"<!doctype html><p>The gateway is being renewed.</p>")
    hosts.hosts[EMPTY].odd = (200, "application/json", b'{"gaps": [], "area": null}')
    hosts.hosts[SHUT].odd = (401, "application/json", b'{"error": "the key has run out"}')
    hosts.hosts["heron-03"].bed.left_mm = 0.6
    hosts.hosts["heron-12"].bed.left_mm = 0.15
    with hosts:
        made = Bench(hosts, capsys)
        monkeypatch.chdir(tmp_path)
        monkeypatch.setenv("COLUMNS", "100")
        monkeypatch.setenv("BENCH_KEY", KEY)
        monkeypatch.setattr(App, "now", lambda _: made.now)
        made.wait(0)
        yield made


@pytest.mark.long
def test_forty_hosts_from_init_to_a_proven_repair(bench: Bench) -> None:
    set_up(bench)
    put_right(bench)
    repair(bench)


def set_up(bench: Bench) -> None:
    """From nothing to forty machines of which thirty-six are ready, and four with the right cause."""
    config, machines = "farm/config.toml", "farm/machines.csv"
    assert "farmwatch --config farm/config.toml check" in bench("init farm", config=False)
    first_of = {kind: NAMES[KINDS.index(kind)] for kind in KINDS}
    paths = {"rows": "/status/bed", "rear": "/levels", "points": "/probe/last", "text": "/grid.txt", "gaps": "/gaps"}
    for kind, path in paths.items():
        bench.append(f"mapping {bench.hosts.url(first_of[kind], path)} --toml --name {kind}", config, config=False)
    url = bench.hosts.url(first_of["keyed"], "/status/bed")
    assert "answers 401" in bench(f"mapping {url}", expect=2, config=False)
    bench.append(f"mapping {url} --toml --name keyed --header X-Bench-Key=env:BENCH_KEY", config, config=False)
    # What no answer tells, as `check` asks for it.
    assert "it is not filled in yet" in bench("check", expect=2)
    bench.edit(config, '"FILL IN: [left, right] in mm"', "[10, 210]")
    bench.edit(config, '"FILL IN: [front, rear] in mm"', "[10, 210]")
    bench.edit(
        config, 'taken_at_format = "%d.%m.%Y %H:%M:%S"', 'taken_at_format = "%d.%m.%Y %H:%M:%S"\ntaken_at_zone = "UTC"'
    )
    gaps = Path(config).read_text().partition("[mappings.gaps]")
    Path(config).write_text(gaps[0] + gaps[1] + gaps[2].replace('sign = "bed-up"', 'sign = "bed-down"', 1))

    out = bench(f"find {NETWORK} --port {bench.port}")
    assert f"show no mesh: {bench.hosts.url(RUBBISH)} and {bench.hosts.url(EMPTY)}" in out
    bench.append(f"find {NETWORK} --port {bench.port} --csv", machines)
    bench.append(f"find {NETWORK} --port {bench.port} --mapping keyed --csv", machines)
    for n, name in enumerate(NAMES, 1):
        aisle, line = name.partition("-")[0], f"host-127-0-77-{n}-{bench.port},"
        if line in Path(machines).read_text():
            bench.edit(machines, f"{line},", f"{name},{aisle},")
    assert f"{OFF} is not added: rear: unreachable" in bench(
        f"add {OFF} {bench.hosts.url(OFF)} --mapping rear", expect=2
    )
    for name, mapping in ((OFF, "rear"), (RUBBISH, "points"), (EMPTY, "gaps"), (SHUT, "keyed")):
        bench(f"add {name} {bench.hosts.url(name)} --mapping {mapping} --aisle {name.partition('-')[0]} --unasked")

    out = bench("check --fail-on trouble", expect=3)
    assert out.endswith("36 ready, 4 need you")
    assert "40 machines, 1 model and 7 mappings. Asking 40 hosts." in out
    for outcome, name in (("unreachable", OFF), ("garbled", RUBBISH), ("refused", SHUT)):
        assert re.search(rf"{outcome} fix: .*? {name}: ", out), outcome
    assert f"{EMPTY}: " in out
    assert "36 new" in bench("poll")


def put_right(bench: Bench) -> None:
    """A mirrored mapping, a wrong reading and a wrong name, each put right by a command."""
    # Those that begin at the rear were read from the front: heron-12 seemed to be high at the rear left.
    assert "36 new" in (bench.wait(6), bench("poll"))[1]
    assert "the left stands higher, to the rear" not in bench("machine heron-12")
    rear = Path("farm/config.toml").read_text().partition("[mappings.rear]")
    Path("farm/config.toml").write_text(rear[0] + rear[1] + rear[2].replace('"front-left"', '"rear-left"', 1))
    out = bench("check --fail-on trouble", expect=3)
    assert "reads as the last mesh mirrored front to rear: was `first` changed?" in out
    assert "farmwatch reread" in out
    assert "14 readings read anew" in bench("reread --mapping rear --yes")
    assert "mirrored" not in bench("check")
    assert "front left: +0.1" in bench("machine heron-12")

    # A tool was left on the bed of plover-01 (points).
    bed = bench.hosts.hosts["plover-05"].bed
    bed.left_mm = 1.4
    bench.wait(6)
    bench("poll")
    bed.left_mm = 0.0
    assert "past-limit" in bench("machine plover-05")
    newest = f'"{bench.now - timedelta(minutes=20):%Y-%m-%d %H:%M}"'
    assert "1 reading" in bench(f'set-aside plover-05 --at {newest} --why "a tool lay on the bed" --by Mo')
    assert "ideal" in bench("machine plover-05")

    # A name was typed wrong.
    bench.edit("farm/machines.csv", "heron-02,", "heron-20,")
    out = bench("check")
    assert "heron-02 is no longer in the configuration, and heron-20 has its host's identity" in out
    assert "no longer in the configuration: shown, not judged" in bench("machine heron-02")
    assert "heron-02 is heron-20 now, with 3 readings" in bench("rename heron-02 heron-20")


def repair(bench: Bench) -> None:
    """heron-03 is past its limit: a ticket, work, and two probings that prove it."""
    bench.wait(6)
    bench("poll")
    out = bench("fleet --condition past-limit")
    assert "heron-03" in out
    assert "opened" in bench("ticket propose")
    assert "heron-03" in bench("ticket list --aisle heron")
    assert "Bed and nozzle cold" in bench("ticket show heron-03")
    bench('ticket approve heron-03 --for "bench 2"')
    bench("ticket take heron-03 --by Mo")
    # Taken at the wrong machine by slip, and taken back.
    bench("ticket undo heron-03")
    assert "approved" in bench("ticket show heron-03")
    bench("ticket take heron-03 --by Mo")
    bench.wait(1, probe=False)
    bench.hosts.hosts["heron-03"].bed.left_mm = 0.0
    bench("ticket done heron-03 --by Mo")
    assert "work done" in bench("fleet --aisle heron")
    for _ in range(2):
        bench.wait(3)
        bench("poll")
    assert "proven 1 (heron-03)" in bench("ticket propose")
    assert re.search(r"heron-03 +\S+ +ideal|heron-03 \S+ ideal", bench("fleet --aisle heron"))
    bench.wait(24 * 7)
    bench("poll")
    bench("report")
    (report,) = Path("farm/reports").glob("farmwatch-*.html")
    text = report.read_text(encoding="utf-8")
    assert all(name in text for name in ("heron-03", "heron-20"))
