"""The systemd unit: what it says, what it refuses, and how systemd itself rates it."""

import re
import shutil
import subprocess
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch.config import Farm, Mapping, Secret, Settings
from farmwatch.errors import FarmwatchError
from farmwatch.service import unit
from farmwatch.service.unit import refuse_hidden, system_python, unit_text
from tests.service.farm import settings_in

PROGRAM = Path("/opt/farmwatch/bin/farmwatch")
STATE = Path("/var/lib/farmwatch")


def settings(database: Path = STATE / "farmwatch.duckdb", reports: Path = STATE / "reports") -> Settings:
    etc = Path("/etc/farmwatch")
    return settings_in(STATE, None, []).model_copy(
        update={
            "farm": Farm(name="Saltmarsh", timezone=ZoneInfo("Europe/Dublin"), database=database, reports=reports),
            "path": etc / "config.toml",
            "mappings": {
                "survey": Mapping(
                    name="survey",
                    path="/",
                    headers={"X-Shop-Key": Secret("env:SHOP_KEY", etc)},
                    query={"key": Secret("file:shop.key", etc)},
                )
            },
        }
    )


def test_the_unit_names_what_the_service_needs() -> None:
    text = unit_text(settings(), PROGRAM)
    assert "ExecStart=/opt/farmwatch/bin/farmwatch --config /etc/farmwatch/config.toml run\n" in text
    assert "\nType=notify\n" in text
    assert "\nWatchdogSec=" in text
    assert "\nStateDirectory=farmwatch\n" in text
    assert "\nProtectSystem=strict\n" in text
    assert "ReadWritePaths" not in text


def test_its_head_makes_user_folders_and_secrets() -> None:
    head = [line.removeprefix("#").strip() for line in unit_text(settings(), PROGRAM).splitlines() if line[:1] == "#"]
    typed = "\n".join(line for line in head if line.startswith("sudo"))
    assert "useradd --system" in typed
    assert "install -d -o farmwatch -g farmwatch -m 0750 /var/lib/farmwatch" in typed
    assert "/etc/farmwatch/secrets.env" in typed
    assert "chmod 0640 /etc/farmwatch/shop.key" in typed
    assert any("SHOP_KEY=" in line for line in head)


def test_other_folders_are_opened_for_writing() -> None:
    text = unit_text(settings(Path("/srv/farm one/f.duckdb"), Path("/srv/reports")), PROGRAM)
    assert 'ReadWritePaths="/srv/farm one" /srv/reports\n' in text
    assert "StateDirectory" not in text
    assert "install -d -o farmwatch -g farmwatch -m 0750 '/srv/farm one'" in text


def test_a_configuration_elsewhere_has_its_secrets_folder_made() -> None:
    elsewhere = unit_text(settings().model_copy(update={"path": Path("/srv/shop/config.toml")}), PROGRAM).splitlines()
    made = "#   sudo install -d -o root -g farmwatch -m 0750 /etc/farmwatch"
    written = "#   sudo install -o root -g farmwatch -m 0640 /dev/null /etc/farmwatch/secrets.env"
    assert elsewhere.index(made) < elsewhere.index(written)
    assert made not in unit_text(settings(), PROGRAM).splitlines()


def test_a_database_beside_the_configuration_is_warned_of() -> None:
    beside = settings(Path("/srv/shop/farmwatch.duckdb"), Path("/srv/shop/reports"))
    beside = beside.model_copy(update={"path": Path("/srv/shop/config.toml")})
    text = unit_text(beside, PROGRAM)
    assert "# Mind: /srv/shop holds the configuration and what the service writes" in text
    assert '#   database = "/var/lib/farmwatch/farmwatch.duckdb"' in text
    assert "Mind:" not in unit_text(settings(), PROGRAM)


def test_a_farms_name_cannot_add_a_line() -> None:
    found = settings()
    # The configuration would refuse such a name; the unit does not lean on that.
    found = found.model_copy(update={"farm": found.farm.model_copy(update={"name": "Salt%marsh\nExecStart=/bin/sh"})})
    text = unit_text(found, PROGRAM)
    assert len(re.findall(r"^ExecStart=", text, re.M)) == 1
    assert "Salt%%marsh ExecStart" in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"database": Path("/home/ann/f.duckdb")}, "farm.database is /home/ann/f.duckdb, under /home"),
        ({"reports": Path("/root/reports")}, "farm.reports"),
        ({"database": Path("/tmp/f.duckdb")}, "under /tmp"),
        ({"database": Path("/etc/farmwatch/f.duckdb")}, 'wanted: database = "/var/lib/farmwatch/f.duckdb"'),
    ],
)
def test_places_that_a_hardened_service_does_not_see_are_refused(change: dict[str, Path], words: str) -> None:
    with pytest.raises(FarmwatchError, match=re.escape(words)):
        unit_text(settings(**change), PROGRAM)


def test_a_python_under_a_home_is_refused_with_where_to_put_it() -> None:
    with pytest.raises(FarmwatchError, match=r"python3\S* -m venv /opt/farmwatch") as told:
        refuse_hidden(["/home/ann/venv"])
    # As README.md has it: from a clone, and never by a name that somebody else may hold in an index.
    assert "from its clone" in str(told.value)
    assert "/opt/farmwatch/bin/pip install ." in str(told.value)
    with pytest.raises(FarmwatchError, match="/root"):
        refuse_hidden(["/usr", "/root/.local/python"])
    refuse_hidden(["/usr", "/opt/farmwatch"])


def test_the_python_to_take_is_named_by_a_path_that_a_service_sees(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    for path, code in ((old, 1), (new, 0)):
        path.write_text(f"#!/bin/sh\nexit {code}\n")
        path.chmod(0o755)
    # tmp_path itself lies where no hardened service looks.
    assert system_python([new]) is None
    monkeypatch.setattr(unit, "HIDDEN", (Path("/home"),))
    assert system_python([tmp_path / "none", old, new]) == new
    monkeypatch.setattr(unit, "SYSTEM_PYTHONS", (old, new))
    with pytest.raises(FarmwatchError, match=rf"sudo {new} -m venv /opt/farmwatch"):
        refuse_hidden(["/home/ann/venv"])
    # An environment made there by the wrong Python keeps it unless it is cleared.
    with pytest.raises(FarmwatchError, match=rf"sudo {new} -m venv --clear /opt/farmwatch"):
        refuse_hidden(["/opt/farmwatch", "/home/ann/python"])
    monkeypatch.setattr(unit, "SYSTEM_PYTHONS", (old,))
    with pytest.raises(FarmwatchError, match=r"first install a Python of at least 3\.11 outside the home folders"):
        refuse_hidden(["/home/ann/venv"])


def test_systemd_rates_it_at_most_two(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed here")
    unit = tmp_path / "farmwatch.service"
    unit.write_text(unit_text(settings(), PROGRAM))
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    rating = re.search(r"Overall exposure level for farmwatch.service: ([0-9.]+)", said.stdout)
    if rating is None:
        pytest.skip(f"this systemd-analyze does not rate units offline: {said.stderr.strip()[:200]}")
    assert float(rating[1]) <= 2.0
    checked = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False, timeout=60
    )
    complaints = [line for line in checked.stderr.splitlines() if "farmwatch.service" in line]
    # The program is not installed here; nothing else may be wrong.
    assert all("is not executable" in line for line in complaints), complaints
