"""The files that `init` leaves."""

import pytest

from farmwatch.config import load_settings, write_starter
from farmwatch.config.starter import _NAMES
from farmwatch.errors import InputError


def test_what_init_writes_loads_as_it_is(tmp_path):
    paths = write_starter(tmp_path / "farm" / "here")

    assert [path.name for path in paths] == ["config.toml", "machines.csv"]
    settings = load_settings(paths[0])
    assert settings.machines == ()
    assert len(settings.warnings) == 1
    assert "no machine is described yet" in settings.warnings[0]


def test_its_commented_lines_are_sound_too(tmp_path):
    config, machines = write_starter(tmp_path)
    text = "\n".join(
        line[2:] if line.startswith("# ") and (" = " in line or line.startswith("# [")) and "`" not in line else line
        for line in config.read_text().splitlines()
    )
    config.write_text(text.replace("This one reads {", "# This one reads {"))
    machines.write_text(machines.read_text().replace("# heron", "heron"))

    settings = load_settings(config)

    assert settings.warnings == ()
    assert [(machine.name, machine.mapping) for machine in settings.machines] == [
        ("heron-01", "first-mapping"), ("heron-02", None),
    ]  # fmt: skip
    assert settings.mail is not None
    assert settings.models["first-model"].tooth_step_mm == pytest.approx(0.4)


@pytest.mark.parametrize("name", _NAMES)
def test_it_never_writes_over_a_file(tmp_path, name):
    (tmp_path / name).write_text("mine")

    with pytest.raises(InputError, match=f"{name} is there already"):
        write_starter(tmp_path)

    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_a_folder_that_cannot_be_is_said(tmp_path):
    (tmp_path / "file").write_text("")

    with pytest.raises(InputError, match="cannot be written"):
        write_starter(tmp_path / "file" / "farm")
