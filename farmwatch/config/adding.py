"""One machine more: a line of machines.csv, or a block of config.toml, checked whole before it counts."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from pathlib import Path

from farmwatch.config.faults import ConfigError
from farmwatch.config.load import load_settings
from farmwatch.config.machines_file import COLUMNS, delimiter_of, header_of
from farmwatch.config.settings import Settings
from farmwatch.errors import InputError
from farmwatch.files import replacing

__all__ = ["add_machine", "machine_line"]


def machine_line(row: dict[str, str], names: tuple[str, ...] = COLUMNS, delimiter: str = ",") -> str:
    """One machine as a line of machines.csv; `row` holds its cells by column."""
    line = io.StringIO()
    csv.writer(line, delimiter=delimiter, lineterminator="").writerow([row.get(name, "") for name in names])
    return line.getvalue()


def add_machine(settings: Settings, row: dict[str, str]) -> Path:
    """Append a machine to the file that lists them; returns that file.

    Raises InputError, and leaves the file as it was, where the configuration would have a fault with it.
    """
    if settings.path is None:
        raise InputError("this configuration was not read from a file")
    raw = tomllib.loads(settings.path.read_text(encoding="utf-8-sig"))
    listed = raw.get("machines_file")
    path = settings.path if listed is None else settings.path.parent / str(listed)
    before = path.read_bytes()
    text = before.decode("utf-8-sig")
    added = _block(row) if listed is None else _line(text, row, path)
    end = "" if text.endswith("\n") or not text else "\n"
    _write(path, before + f"{end}{added}\n".encode())
    try:
        load_settings(settings.path)
    except ConfigError as fault:
        _write(path, before)
        raise InputError(f"{path} stays as it was: with this machine {fault}") from None
    return path


def _write(path: Path, data: bytes) -> None:
    try:
        # Through a link: it must lead to the same file afterwards.
        with replacing(path.resolve()) as beside:
            beside.write_bytes(data)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from None


def _line(text: str, row: dict[str, str], path: Path) -> str:
    names = header_of(text)
    lacking = [name for name in row if name not in names]
    if lacking:
        raise InputError(f"{path} has no column {' and none '.join(lacking)}; add it to its first line")
    return machine_line(row, tuple(names), delimiter_of(text))


def _block(row: dict[str, str]) -> str:
    # JSON's escapes are among TOML's, but for the one character that TOML wants escaped.
    cells = {key: json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f") for key, value in row.items()}
    return "\n".join(["", "[[machines]]", *(f"{key} = {value}" for key, value in cells.items())])
