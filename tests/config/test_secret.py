"""A secret is read late and never printed."""

import pickle

import pytest

from farmwatch.config import ConfigError, Secret


def test_the_environment_is_read_when_it_is_needed(tmp_path, monkeypatch):
    secret = Secret("env:SHOP_KEY", tmp_path)
    monkeypatch.setenv("SHOP_KEY", "hunter2")
    assert secret.reveal() == "hunter2"
    monkeypatch.setenv("SHOP_KEY", "changed")
    assert secret.reveal() == "changed"
    monkeypatch.delenv("SHOP_KEY")
    with pytest.raises(ConfigError, match="env:SHOP_KEY cannot be read: SHOP_KEY is not in the environment"):
        secret.reveal()


@pytest.mark.parametrize(
    ("body", "value"),
    [(b"hunter2", "hunter2"), (b"hunter2\n", "hunter2"), (b"hunter2\r\n", "hunter2"), (b" h 2 \n", " h 2 "),
     ("schlüssel\n".encode(), "schlüssel")],
)  # fmt: skip
def test_a_file_is_read_from_the_folder_less_one_newline(tmp_path, body, value):
    (tmp_path / "shop.key").write_bytes(body)

    assert Secret("file:shop.key", tmp_path).reveal() == value
    assert Secret(f"file:{tmp_path / 'shop.key'}", tmp_path / "elsewhere").reveal() == value


@pytest.mark.parametrize(
    ("body", "says"),
    [(b"", "is empty"), (b"\n", "is empty"), (b"hunter2\n\n", "line break"), (b"hunter2\x00", "control character"),
     (b"hunter2\xff", "not UTF-8"), (b"hunter2" * 10_000, "longer than 64 KiB"), (None, "No such file")],
)  # fmt: skip
def test_what_cannot_be_a_secret_names_the_source_and_never_the_value(tmp_path, body, says):
    if body is not None:
        (tmp_path / "shop.key").write_bytes(body)

    with pytest.raises(ConfigError, match=says) as caught:
        Secret("file:shop.key", tmp_path).reveal()

    error: BaseException | None = caught.value
    assert "file:shop.key" in str(error)
    while error is not None:
        assert "hunter" not in repr(error)
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)


def test_a_file_that_cannot_be_opened_says_why(tmp_path):
    (tmp_path / "shop.key").mkdir()

    with pytest.raises(ConfigError, match=r"file:shop\.key cannot be read: Is a directory"):
        Secret("file:shop.key", tmp_path).reveal()


def test_it_prints_compares_and_travels_as_its_source(tmp_path, monkeypatch):
    monkeypatch.setenv("SHOP_KEY", "hunter2")
    secret = Secret("env:SHOP_KEY", tmp_path)

    assert repr(secret) == "Secret('env:SHOP_KEY')"
    assert "hunter2" not in f"{secret} {secret!r} {pickle.dumps(secret)!r}"
    assert secret == Secret("env:SHOP_KEY", tmp_path)
    assert secret != Secret("env:OTHER", tmp_path)
    assert len({secret, Secret("env:SHOP_KEY", tmp_path)}) == 1
