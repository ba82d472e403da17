"""A secret is named, never written: `env:NAME` or `file:PATH`, read when it is needed."""

from __future__ import annotations

import os
import re
from pathlib import Path

from farmwatch.config.faults import ConfigError

__all__ = ["Secret", "names_a_secret"]

_ENVIRONMENT_NAME = re.compile(r"env:[A-Za-z_][A-Za-z0-9_]*\Z")
_FILE_NAME = re.compile(r"file:[^\x00-\x1f\x7f]+\Z")
# A key is short; a file that is longer is not a key, and reading it whole would be a trap.
LONGEST_SECRET_BYTES = 64 * 1024


def names_a_secret(text: str) -> bool:
    """Whether `text` is `env:NAME` or `file:PATH`."""
    return bool(_ENVIRONMENT_NAME.match(text) or _FILE_NAME.match(text))


class Secret:
    """A value named by `env:NAME` or `file:PATH`; it is read when it is needed and never printed."""

    __slots__ = ("_folder", "source")

    def __init__(self, source: str, folder: Path) -> None:
        self.source = source
        self._folder = folder

    def reveal(self) -> str:
        """The value itself, less one newline at its end.

        Raises ConfigError, naming the source and never the value, where it cannot be read.
        """
        kind, _, name = self.source.partition(":")
        if kind == "env":
            value = os.environ.get(name)
            if value is None:
                raise ConfigError(f"the secret {self.source} cannot be read: {name} is not in the environment")
        else:
            value = self._read(self._folder / name)
        value = value.removesuffix("\n").removesuffix("\r")
        if not value:
            raise ConfigError(f"the secret {self.source} is empty")
        if any(ord(c) < 32 or ord(c) == 127 for c in value):
            raise ConfigError(f"the secret {self.source} holds a line break or another control character")
        return value

    def _read(self, path: Path) -> str:
        # "from None": a decoding error carries the bytes it stumbled over.
        try:
            with path.open("rb") as file:
                body = file.read(LONGEST_SECRET_BYTES + 1)
        except OSError as error:
            reason = error.strerror or "it cannot be opened"
            raise ConfigError(f"the secret {self.source} cannot be read: {reason} ({path})") from None
        if len(body) > LONGEST_SECRET_BYTES:
            raise ConfigError(f"the secret {self.source} cannot be read: the file is longer than 64 KiB")
        try:
            return body.decode("utf-8")
        except UnicodeDecodeError:
            raise ConfigError(f"the secret {self.source} cannot be read: the file is not UTF-8 text") from None

    def __repr__(self) -> str:
        return f"Secret({self.source!r})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Secret):
            return NotImplemented
        return (self.source, self._folder) == (other.source, other._folder)

    def __hash__(self) -> int:
        return hash((self.source, self._folder))
