"""`farmwatch mapping`: an unknown host's answer as a block of the configuration."""

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from farmwatch.cli import run
from farmwatch.collect import Reader
from farmwatch.config import ConfigError, Mapping, load_settings
from tests.collect.hosts import Canned, serving

KEY = "harbour-light-4471"
HEIGHTS = (0.3 * np.linspace(0, 1, 5)[:, None] + 0.05 * np.linspace(0, 1, 6)[None, :] + 0.01).round(4)
ANSWER = {
    "device": {"name": "[red]x[/red]", "uptime": 12345},
    "bed": {"survey": {"grid": HEIGHTS.tolist(), "x": [10, 210], "y": [10, 190]}, "fans": [[1, 2, 3], [4, 5, 6]]},
}

CONFIG = """\
[farm]
name = "Saltmarsh Tidegate Works"
timezone = "Europe/Dublin"
database = "farmwatch.duckdb"
reports = "reports"

[models.tideframe-220]
screws = [
  { name = "front-left", at = [20, 10] },
  { name = "front-right", at = [200, 10] },
  { name = "rear", at = [110, 215], reference = true },
]

MAPPINGS
[[machines]]
name = "heron-01"
model = "tideframe-220"
mapping = "survey"
address = "http://10.20.1.11"
"""

Asked = Callable[..., tuple[int, str, str]]


@pytest.fixture
def asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Asked:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def ask(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = run(["mapping", *words])
        return code, *capsys.readouterr()

    return ask


def test_the_block_reads_the_answer_that_it_was_made_from(asked: Asked) -> None:
    with serving({"/v2/bed": ANSWER}) as host:
        code, out, _ = asked(f"{host.address}/v2/bed", "--toml")
    assert code == 0
    [(name, block)] = tomllib.loads(out)["mappings"].items()
    assert block["path"] == "/v2/bed"
    found = Reader(Mapping(name=name, **block)).read(json.dumps(ANSWER).encode())
    assert found.mesh.z == pytest.approx(HEIGHTS)


def test_the_screen_shows_block_doubts_mesh_and_map(asked: Asked) -> None:
    with serving({"/v2/bed": ANSWER}) as host:
        code, out, err = asked(f"{host.address}/v2/bed")
    assert (code, err) == (0, "")
    assert "[mappings." in out
    assert 'heights = "$' in out
    assert "5 rows of 6, range 0.350 mm" in out
    assert "rear" in out
    assert "front" in out
    assert "Is the high corner where the bed is high?" in out
    assert out.count("do the rows of the answer") == 0
    assert out.count("temperature_is") == 0
    assert max(len(line) for line in out.splitlines()) <= 120


def test_doubts_are_said_once_and_unknown_coordinates_cannot_be_pasted(asked: Asked, tmp_path: Path) -> None:
    answer = {"scan": {"lines": HEIGHTS[:, :5].tolist()}}
    with serving({"/scan": answer}) as host:
        code, out, err = asked(f"{host.address}/scan")
        _, block, _ = asked(f"{host.address}/scan", "--toml", "--name", "survey")
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    for doubt in ("order: do the rows", "first: is the first height", "y: not recognised", "sign: is the high"):
        assert said.count(doubt) == 1, doubt
        assert block.count(doubt) == 1, doubt
    assert "x and y of this map are made up" in said
    pasted = tmp_path / "config.toml"
    pasted.write_text(CONFIG.replace("MAPPINGS", block))
    with pytest.raises(ConfigError) as refused:
        load_settings(pasted)
    assert [fault.key for fault in refused.value.faults] == ["mappings.survey.x", "mappings.survey.y"]
    assert "not filled in yet" in str(refused.value)


def test_a_header_is_sent_and_its_value_never_shown(asked: Asked) -> None:
    def script(handler: Any) -> Any:
        given = handler.headers.get("X-Shop-Key")
        return ANSWER | {"you": given} if given == KEY else Canned(f"not {given}".encode(), 401)

    with serving({"/bed": script}) as host:
        code, out, err = asked(f"{host.address}/bed", "--header", f"X-Shop-Key={KEY}")
        assert code == 0
        assert KEY not in out + err
        assert 'headers = { "X-Shop-Key" = "env:X_SHOP_KEY" }' in out
        code, out, err = asked(f"{host.address}/bed", "--header", f"X-Shop-Key={KEY}x")
    assert code == 2
    assert KEY not in out + err
    assert "a key, a token or a header" in err


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Canned(b"", 401), "its manual tells how a program identifies itself"),
        (Canned(b"", 404), "its manual tells the path"),
        ({"state": "idle", "progress": 0.5}, "nothing in this answer can be a mesh"),
        (Canned(b"", 503), "503"),
    ],
)
def test_what_does_not_help_is_said_with_what_would(asked: Asked, answer: Any, words: str) -> None:
    with serving({"/bed": answer}) as host:
        code, _, err = asked(f"{host.address}/bed")
    assert code == 2
    assert words in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("words", [("heron-01",), ("http://127.0.0.1:9/x", "--header", "secret")])
def test_what_was_typed_wrong_is_said(asked: Asked, words: tuple[str, ...]) -> None:
    code, _, err = asked(*words)
    assert code == 2
    assert "wanted" in err or "wants" in err
    assert "secret" not in err


def test_a_block_is_named_after_its_host_or_as_wanted(asked: Asked) -> None:
    with serving({"/bed": ANSWER}) as host:
        _, out, _ = asked(f"{host.address}/bed", "--toml")
        assert list(tomllib.loads(out)["mappings"]) == ["127-0-0-1"]
        _, out, _ = asked(f"{host.address}/bed", "--toml", "--name", "survey rows")
        assert list(tomllib.loads(out)["mappings"]) == ["survey rows"]


def test_several_hosts_share_one_block_where_they_are_alike(asked: Asked) -> None:
    other = {"scan": {"lines": HEIGHTS[:, :5].tolist()}}
    scripts = {"/a/bed": ANSWER, "/bed": ANSWER, "/odd": other, "/none": Canned(status=404)}
    with serving(scripts) as one, serving(scripts) as two:
        code, out, err = asked(
            f"{one.address}/bed", f"{two.address}/bed", f"{two.address}/odd", "--toml", "--name", "n"
        )
        assert (code, err) == (0, "")
        assert list(tomllib.loads(out)["mappings"]) == ["n", "n-2"]
        assert f"# read alike: {one.address}/bed, {two.address}/bed" in out.splitlines()
        code, out, err = asked(f"{one.address}/bed", f"{two.address}/none", "--toml")
        assert code == 0
        assert err.startswith("not read: ")
        assert "404" in err
        assert len(tomllib.loads(out)["mappings"]) == 1
        code, out, err = asked(f"{one.address}/none", f"{two.address}/none")
        assert (code, out) == (2, "")


def test_a_saved_answer_is_looked_at_without_asking_anybody(asked: Asked, tmp_path: Path) -> None:
    saved = tmp_path / "bed answer.json"
    saved.write_text(json.dumps(ANSWER))
    code, out, err = asked("--answer", str(saved), "--toml")
    assert (code, err) == (0, "")
    [(name, block)] = tomllib.loads(out)["mappings"].items()
    assert (name, block["path"], block["heights"]) == ("bed-answer", "/", "$.bed.survey.grid")
    with serving({}) as host:
        _, out, _ = asked("--answer", str(saved), f"{host.address}/v2/bed", "--toml")
        assert tomllib.loads(out)["mappings"]["127-0-0-1"]["path"] == "/v2/bed"
        assert host.asked == []
    assert asked("--answer", str(tmp_path / "none.json"))[0] == 2


def test_a_key_may_be_named_and_stays_named_in_the_block(
    asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HARBOUR", KEY)
    (tmp_path / "shop.key").write_text(f"{KEY}\n")

    def script(handler: Any) -> Any:
        return ANSWER if handler.headers.get("X-Shop-Key") == KEY else Canned(b"", 401)

    with serving({"/bed": script}) as host:
        for source in ("env:HARBOUR", "file:shop.key"):
            code, out, err = asked(f"{host.address}/bed", "--header", f"X-Shop-Key={source}")
            assert code == 0
            assert f'headers = {{ "X-Shop-Key" = "{source}" }}' in out
            assert KEY not in out + err
        code, _, err = asked(f"{host.address}/bed", "--header", "X-Shop-Key=env:NOT_SET")
    assert (code, "NOT_SET is not in the environment" in err) == (2, True)


def test_what_is_not_recognised_is_said_with_what_could_be_meant(asked: Asked, tmp_path: Path) -> None:
    saved = tmp_path / "answer.json"
    saved.write_text(json.dumps({"grid": HEIGHTS.tolist(), "x": [10, 60, 110, 160], "y": [10, 50, 90, 130, 180]}))
    block = asked("--answer", str(saved), "--toml")[1]
    assert "# x: not recognised (not 6 along it: $.x holds 4 coordinates)" in block
