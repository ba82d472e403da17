"""From the file to the settings."""

import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch.config import ConfigError, Secret, load_settings
from farmwatch.config.settings import Mail, ServiceSection, WeeklyTime, Working
from farmwatch.errors import InputError
from farmwatch.model import Limits, Screw

ROOT = Path(__file__).parents[2]


def test_the_example_is_sound_and_says_what_it_says():
    settings = load_settings(ROOT / "config.example.toml")

    assert settings.warnings == ()
    assert settings.farm.name == "Saltmarsh Tidegate Works"
    assert settings.farm.timezone == ZoneInfo("Europe/Dublin")
    assert settings.farm.report_at == WeeklyTime(weekday=0, hour=6, minute=0)
    assert settings.farm.working == Working(weekdays=frozenset(range(5)), start_minute=360, end_minute=1080)
    assert settings.farm.closed == {datetime.date(2026, 12, 25)}
    assert settings.limits == Limits(usable_mm=0.2, ideal_mm=0.1, mesh_old_after_days=14.0, silent_after_hours=24.0)
    assert settings.service == ServiceSection.model_validate({"listen": "127.0.0.1:8790", "log": "logfmt"})
    assert (settings.service.host, settings.service.port) == ("127.0.0.1", 8790)
    assert settings.mail is None
    assert [machine.name for machine in settings.machines] == [
        "heron-01", "heron-02", "plover-01", "plover-02", "avocet-01", "avocet-02",
    ]  # fmt: skip
    model = settings.models["tideframe-220"]
    assert model.tooth_step_mm == pytest.approx(0.4)
    assert model.screws[model.reference_index] == Screw(name="rear", x_mm=110.0, y_mm=215.0, reference=True)
    assert settings.models["slipway-300"].lead_mm is None
    rows = settings.mappings["survey-rows"]
    assert rows.x == "$.survey.x"
    assert rows.y == (10.0, 210.0)
    assert rows.headers == {"X-Shop-Key": Secret("env:SHOP_KEY", ROOT), "Accept": "application/json"}
    assert settings.mappings["probe-list"].y == ("$.area.front", "$.area.rear")
    assert settings.mappings["probe-list"].also[0].bed_celsius == "$.bed"
    assert settings.machine("heron-02").every_minutes == 5.0
    assert settings.machine("avocet-02").address is None


def test_every_commented_key_of_the_example_is_sound_too(tmp_path):
    """A remark that shows a key must not show a wrong one."""
    text = (ROOT / "config.example.toml").read_text()
    lines = [line[2:] if line.startswith("# ") and (" = " in line or line.startswith("# [")) else line
             for line in text.splitlines()]  # fmt: skip
    # Remarks that are prose with an example inside stay remarks.
    lines = [line if not line.startswith(("For a large", "Keys and")) else f"# {line}" for line in lines]
    path = tmp_path / "config.toml"
    path.write_text("\n".join(lines))

    settings = load_settings(path)

    assert isinstance(settings.mail, Mail)
    assert settings.mail.report_to == ("works-manager@tidegate.example",)
    assert settings.pages.url == "https://beds.tidegate.example"
    assert [(person.name, person.role) for person in settings.people.values()] == [
        ("marsh-lead", "manager"), ("tide-board", "viewer"),
    ]  # fmt: skip
    assert settings.poll.ca_file == tmp_path / "farm-ca.pem"
    assert settings.poll.trust_env is False


def test_relative_paths_start_from_the_folder_of_the_file(write, sound, tmp_path, monkeypatch):
    path = write(sound)
    monkeypatch.chdir("/")

    settings = load_settings(path)

    assert settings.farm.database == tmp_path / "farmwatch.duckdb"
    assert settings.farm.reports == tmp_path / "reports"
    assert settings.path == path


def test_a_path_given_relative_still_makes_absolute_ones(write, sound, tmp_path, monkeypatch):
    write(sound)
    monkeypatch.chdir(tmp_path)

    settings = load_settings(Path("config.toml"))

    assert settings.farm.database == tmp_path / "farmwatch.duckdb"
    assert settings.path == tmp_path / "config.toml"


def test_the_file_is_looked_for_in_the_documented_order(write, sound, tmp_path, monkeypatch):
    here = write(sound.replace("Saltmarsh", "Here"))
    named = write(sound.replace("Saltmarsh", "Variable"), "variable.toml")
    given = write(sound.replace("Saltmarsh", "Given"), "given.toml")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FARMWATCH_CONFIG", str(named))

    assert load_settings(given).farm.name.startswith("Given")
    assert load_settings().farm.name.startswith("Variable")
    monkeypatch.delenv("FARMWATCH_CONFIG")
    assert load_settings().farm.name.startswith("Here")
    here.unlink()
    monkeypatch.setattr("farmwatch.config.load.SYSTEM_WIDE", given)
    assert load_settings().farm.name.startswith("Given")
    monkeypatch.setattr("farmwatch.config.load.SYSTEM_WIDE", tmp_path / "nowhere.toml")
    with pytest.raises(ConfigError, match="farmwatch init"):
        load_settings()


def test_a_named_file_that_is_not_there_is_not_replaced_by_another(write, sound, tmp_path, monkeypatch):
    write(sound)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FARMWATCH_CONFIG", "missing.toml")

    with pytest.raises(ConfigError, match=r"missing\.toml: the configuration cannot be read: No such file"):
        load_settings()


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"[farm\n", "not TOML"),
        (b'[farm]\nname = "caf\xe9"\n', "line 2: the configuration is not UTF-8 text"),
        (b"a = " + b"[" * 100_000, "nested too deeply"),
        (b"", r"farm: wanted a \[farm\] table"),
    ],
)
def test_what_is_no_configuration_is_said_in_a_line(tmp_path, body, says):
    path = tmp_path / "config.toml"
    path.write_bytes(body)

    with pytest.raises(ConfigError, match=says) as caught:
        load_settings(path)

    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path, sound):
    path = tmp_path / "config.toml"
    path.write_bytes(b"\xef\xbb\xbf" + sound.replace("\n", "\r\n").encode())

    assert load_settings(path).machines[0].name == "heron-01"

    path.write_bytes(b"\xef\xbb\xbf" + sound.replace("lead_mm = 8.0", "lead_mm = -8").replace("\n", "\r\n").encode())
    with pytest.raises(ConfigError, match=r"line 14: models.tideframe-220\.lead_mm, got -8"):
        load_settings(path)


def test_defaults_are_those_of_the_interface(write, sound):
    settings = load_settings(write(sound.replace("[limits]\nusable_mm = 0.20\n\n[poll]\nevery_minutes = 30\n", "")))

    assert settings.limits == Limits()
    assert settings.poll.model_dump() == {
        "every_minutes": 30.0, "at_once": 32, "deadline_seconds": 10.0, "largest_answer_kib": 2048,
        "trust_env": False, "ca_file": None,
    }  # fmt: skip


def test_an_unknown_machine_is_answered_with_the_nearest_name(write, sound):
    settings = load_settings(write(sound))

    assert settings.machine("heron-01").model == "tideframe-220"
    with pytest.raises(InputError, match=r'no machine is called "heron-1"; did you mean "heron-01"\?'):
        settings.machine("heron-1")
    with pytest.raises(InputError, match=r'no machine is called "\?\?"$'):
        settings.machine("??")


def test_a_machine_may_have_any_printable_name(write, sound):
    path = write(sound.replace('"heron-01"', "'<script>alert(\"[bold]x\")</script>'"))

    assert load_settings(path).machines[0].name == '<script>alert("[bold]x")</script>'


def test_mail_is_read(write, sound):
    mail = (
        '[mail]\nhost = "localhost"\nport = 2525\nsecurity = "none-on-loopback"\n'
        'sender = "farm@tidegate.example"\nreport_to = ["a@tidegate.example", "b@tidegate.example"]\n'
    )

    settings = load_settings(write(sound + mail))

    assert settings.mail == Mail(
        host="localhost", port=2525, security="none-on-loopback", sender="farm@tidegate.example",
        report_to=("a@tidegate.example", "b@tidegate.example"),
    )  # fmt: skip


def test_the_share_of_the_bed_to_cover_reaches_every_model(write, sound):
    assert {model.covered_share for model in load_settings(write(sound)).models.values()} == {0.70}
    settings = load_settings(write(sound.replace("[limits]", "[limits]\ncovered_share = 0.55")))
    assert settings.limits.covered_share == 0.55
    assert {model.covered_share for model in settings.models.values()} == {0.55}
    for share in ("0", "1.2", '"most"'):
        with pytest.raises(ConfigError, match=r"limits\.covered_share.*wanted a share of the bed's area"):
            load_settings(write(sound.replace("[limits]", f"[limits]\ncovered_share = {share}")))


def test_beyond_this_computer_people_and_tls_are_enough(write, sound):
    people = '[people."gate keeper"]\nrole = "technician"\npassword = "file:gate.password"\n'
    tls = '[service]\nlisten = "[::]:8790"\ncertificate = "tls/pages.pem"\nkey = "tls/pages.key"\n'

    settings = load_settings(write(people + tls + sound))

    assert settings.service.certificate == settings.path.parent / "tls/pages.pem"
    assert not settings.service.on_loopback
    assert settings.people["gate keeper"].password == Secret("file:gate.password", settings.path.parent)
