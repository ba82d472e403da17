"""No secret in use gets out: not into the log, errors, report, database, figures, mail or the output of `check`."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest

from farmwatch.history import Reading
from farmwatch.mesh import Mesh
from farmwatch.store import Store
from farmwatch.store.records import Run
from tests.collect.hosts import Canned, serving
from tests.service.farm import grid, write_config
from tests.service.test_running import PATIENCE, running
from tests.tickets.test_mail import Box
from tests.tickets.test_mail import serving as mail_serving

SECRETS = {
    "SHOP_KEY": "harbour-light-4471",
    "QUERY_KEY": "kelp forest/9?&=1",
    "MAIL_PASSWORD": "ebb-and-flow-2209",
    "HOOK_KEY": "sluice-gate-8830",
}
MORE = """\
headers = {{ "X-Shop-Key" = "env:SHOP_KEY" }}
query = {{ key = "file:query.key" }}
[webhook]
url = "http://127.0.0.1:{hook}/in"
headers = {{ Authorization = "env:HOOK_KEY" }}
[mail]
host = "127.0.0.1"
port = {mail}
security = "none-on-loopback"
user = "farm"
password = "env:MAIL_PASSWORD"
sender = "farm@tidegate.example"
report_to = ["manager@tidegate.example"]
"""
NAMES = ("heron-01", "heron-02", "heron-03", "heron-04", "heron-05")


def _echo(status: int, make: Any) -> Any:
    """A host that gives back whatever it was asked with."""

    def script(handler: Any) -> Canned:
        given = f"{handler.headers.get('X-Shop-Key')} {handler.path} {SECRETS['QUERY_KEY']}"
        return make(status, given)

    return script


def _hosts() -> dict[str, Any]:
    return {
        "/heron-01": {"grid": grid(1)},
        "/heron-02": _echo(401, lambda status, given: Canned(given.encode(), status)),
        "/heron-03": _echo(
            302, lambda status, given: Canned(b"", status, {"Location": f"http://10.0.0.1/{given[:18]}"})
        ),
        "/heron-04": _echo(200, lambda status, given: Canned(json.dumps({"grid": given}).encode(), status)),
        "/heron-05": _echo(200, lambda status, given: Canned(json.dumps({"grid": [[given] * 5] * 5}).encode(), status)),
    }


def _hook(handler: Any) -> Canned:
    body = f"your key is {handler.headers.get('Authorization')}"
    return Canned(body.encode(), 403)


def _with_a_tooth_jumped(store: Store) -> None:
    """So that there is a ticket to tell of; the channels have been in use since before it."""
    axis = np.linspace(10.0, 210.0, 5)
    now = datetime.now(UTC)
    rng = np.random.default_rng(2)
    readings = []
    for day in range(20, 0, -1):
        z = rng.normal(0.0, 0.004, (5, 5)) + (0.4 * (axis - 110) / 180 if day < 8 else 0.0)
        at = now - timedelta(days=day)
        readings.append(
            Reading(machine="heron-02", taken_at=at, seen_at=at, time_from="host", mesh=Mesh.accept(axis, axis, z))
        )
    store.add_readings(readings)
    for channel in ("webhook", "mail"):
        store.add_run(Run(name=f"announce/{channel}", at=now - timedelta(days=30)))


@pytest.mark.long
def test_no_secret_gets_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in SECRETS.items():
        monkeypatch.setenv(name, value)
    box = Box(refuse=f"550 no, {SECRETS['MAIL_PASSWORD']}?")
    with serving(_hosts()) as host, serving({"/in": _hook}) as hook, mail_serving(box, auth_require_tls=False) as port:
        hook._server.RequestHandlerClass.do_POST = hook._server.RequestHandlerClass.do_GET  # type: ignore[attr-defined]
        try:
            said = _live(tmp_path, host.address, MORE.format(hook=hook.port, mail=port))
        finally:
            del hook._server.RequestHandlerClass.do_POST  # type: ignore[attr-defined]
        asked = host.headers
    assert any(headers.get("X-Shop-Key") == SECRETS["SHOP_KEY"] for headers in asked)
    texts = said | _files(tmp_path) | _tables(tmp_path / "farmwatch.duckdb")
    assert any("outbox" in where for where in texts)
    for where, text in texts.items():
        for name, secret in SECRETS.items():
            for form in (secret, secret.replace(" ", "+"), secret.split("/")[0], secret.replace(" ", "%20")):
                assert form not in text, f"{name} stands in {where}"
    # That something could be found at all:
    assert "heron-04" in said["the log"]
    assert "outcome=refused" in said["the log"]


def _live(folder: Path, address: str, more: str) -> dict[str, str]:
    config = write_config(folder, address, NAMES, more=more)
    (folder / "query.key").write_text(SECRETS["QUERY_KEY"])
    store = Store(folder / "farmwatch.duckdb")
    _with_a_tooth_jumped(store)
    said = {}
    with running(config) as service:
        service.wait_for("event=night")
        service.wait_for("event=poll", count=10)
        said["figures"] = service.ask("/metrics")[2]
        said["health"] = service.ask("/health")[2]
        checked = subprocess.run(
            [sys.executable, "-m", "farmwatch", "--config", str(config), "check"],
            capture_output=True, text=True, timeout=PATIENCE, check=False,
        )  # fmt: skip
        said["check"] = checked.stdout + checked.stderr
        assert "need you" in said["check"]
        service.end()
        said["the log"] = "".join(service.lines)
        assert service.process.stdout is not None
        said["standard output"] = service.process.stdout.read()
    from farmwatch.config import load_settings
    from farmwatch.tickets import Outbox

    found = Outbox(store).deliver_due(load_settings(config), datetime.now(UTC) + timedelta(hours=1))
    assert found.failed
    said["deliveries"] = "\n".join(found.faults)
    (folder / "query.key").unlink()
    return said


def _files(folder: Path) -> dict[str, str]:
    return {str(path): path.read_bytes().decode("latin-1") for path in folder.rglob("*") if path.is_file()}


def _tables(database: Path) -> dict[str, str]:
    """Every value of every table: in the file itself they may be packed."""
    with duckdb.connect(str(database), read_only=True) as con:
        tables = [name for (name,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {f"table {name}": re.sub(r"\\'", "'", repr(con.execute(f'FROM "{name}"').fetchall())) for name in tables}
