"""Help at the prompt: --config on either side, the nearest value, and what a shell is told with the tab key."""

import subprocess

import pytest

from farmwatch.cli import run
from tests.cli.conftest import CONFIG, Farm


def test_the_configuration_is_named_before_or_after_the_command(farm: Farm, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the farm's own folder, so: another one
    other = tmp_path / "other"
    other.mkdir()
    (other / "config.toml").write_text(CONFIG.replace("Saltmarsh Tidegate Works", "The other bank"))
    for words in (["fleet"], ["ticket", "list"], ["machine", "heron-01"]):
        before = (run(["--config", str(farm.config), *words]), *capsys.readouterr())
        after = (run([*words, "--config", str(farm.config)]), *capsys.readouterr())
        assert after[0] == 0
        assert after == before
    assert run(["--config", str(farm.config), "fleet", "--config", str(other / "config.toml")]) == 0
    assert capsys.readouterr().out.startswith("The other bank"), "the later one holds"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("note", "heron-01", "bel"), "did you mean belt?"),
        (("fleet", "--fail-on", "past-limits"), "did you mean past-limit?"),
        (("flet",), "did you mean fleet?"),
        (("fleet", "--jsn"), "did you mean --json?"),
        (("machine", "heron-1"), 'did you mean "heron-01"?'),
    ],
)
def test_what_was_typed_nearly_right_is_said_right(farm: Farm, words, said):
    code, out, err = farm(*words)
    assert (code, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_what_is_like_nothing_gets_no_guess(farm: Farm):
    assert "did you mean" not in farm("note", "heron-01", "xyzzy")[2]


def complete(monkeypatch, capsys, *words: str) -> list[str]:
    monkeypatch.setenv("_FARMWATCH_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", " ".join(["farmwatch", *words]))
    monkeypatch.setenv("COMP_CWORD", str(len(words)))
    capsys.readouterr()
    assert run([]) == 0
    return [line.partition(",")[2] for line in capsys.readouterr().out.split()]


def test_the_tab_key_completes_commands_options_values_and_machines(farm: Farm, monkeypatch, capsys):
    given = ("--config", str(farm.config))
    assert complete(monkeypatch, capsys, "flee") == ["fleet"]
    assert complete(monkeypatch, capsys, "fleet", "--fa") == ["--fail-on"]
    assert complete(monkeypatch, capsys, "fleet", "--fail-on", "p") == ["past-limit"]
    assert complete(monkeypatch, capsys, *given, "machine", "her") == ["heron-01"]
    assert complete(monkeypatch, capsys, *given, "poll", "--machine", "pl") == ["plover-01"]


def test_a_broken_configuration_is_silent_at_the_tab_key(farm: Farm, monkeypatch, capsys):
    farm.config.write_text("[farm\n")
    assert complete(monkeypatch, capsys, "--config", str(farm.config), "machine", "her") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_lines(farm: Farm, shell):
    code, out, err = farm("completion", shell)
    assert (code, err) == (0, "")
    assert f"_FARMWATCH_COMPLETE={shell}_complete" in out
    if shell == "bash":
        subprocess.run(["bash", "-n"], input=out, text=True, check=True)


def test_an_unknown_shell_is_refused(farm: Farm):
    assert farm("completion", "tcsh")[0] == 2
