"""The demo's own files: valid for every farm, and never over somebody else's."""

from pathlib import Path

import pytest

from farmwatch.config import load_settings
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.farm import FARM_NAME, MODELS
from farmwatch.demo.paper import MARK, clear_folder, write_configuration
from farmwatch.errors import InputError


def _write(folder: Path, machines: int = 27) -> Path:
    farm = farm_truth(machines)
    addresses = {machine.name: f"http://127.0.0.1:{20_000 + i}" for i, machine in enumerate(farm)}
    return write_configuration(folder, farm, addresses, {"weeks": 26})


@pytest.mark.parametrize("machines", [1, 2, 5, 27, 40])
def test_the_configuration_is_valid_and_says_what_the_truth_says(tmp_path: Path, machines: int) -> None:
    settings = load_settings(_write(tmp_path, machines))
    assert settings.warnings == ()
    assert settings.farm.name == FARM_NAME
    assert [machine.name for machine in settings.machines] == [machine.name for machine in farm_truth(machines)]
    assert settings.models == {name: MODELS[name] for name in settings.models}
    assert settings.farm.database.parent == settings.farm.reports.parent == tmp_path


def test_an_earlier_demo_is_taken_away_and_other_files_stay(tmp_path: Path) -> None:
    _write(tmp_path)
    (tmp_path / "farmwatch.duckdb").write_bytes(b"old")
    (tmp_path / "farmwatch.duckdb.wal").write_bytes(b"old")
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "week.html").write_text("old")
    (tmp_path / "my-notes.txt").write_text("mine")
    clear_folder(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [MARK, "my-notes.txt"]
    clear_folder(tmp_path)


def test_a_folder_with_something_else_is_refused_and_untouched(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text("mine")
    with pytest.raises(InputError, match="not an earlier demo"):
        clear_folder(tmp_path)
    assert (tmp_path / "config.toml").read_text() == "mine"


@pytest.mark.parametrize("mark", ["", "[]", "{}", '{"made_by": "somebody"}', "\x00"])
def test_a_mark_that_is_not_ours_is_no_mark(tmp_path: Path, mark: str) -> None:
    (tmp_path / MARK).write_text(mark)
    with pytest.raises(InputError):
        clear_folder(tmp_path)
    assert (tmp_path / MARK).exists()


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputError, match="not a folder"):
        clear_folder(tmp_path / "file")


def test_a_link_in_place_of_the_reports_is_cut_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "kept.html").write_text("mine")
    demo = tmp_path / "demo"
    clear_folder(demo)
    _write(demo)
    (demo / "reports").symlink_to(elsewhere)
    clear_folder(demo)
    assert (elsewhere / "kept.html").read_text() == "mine"
    assert [path.name for path in demo.iterdir()] == [MARK]
