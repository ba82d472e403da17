"""Writes a proposal as the `[mappings.…]` block of a configuration."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from typing import Any

from farmwatch.collect.outcome import plain
from farmwatch.collect.proposal.propose import Proposal

__all__ = ["toml_block"]

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
# Keys in the order in which a reader meets them in the documentation.
_ORDER = (
    "path", "answer", "heights", "layout", "columns", "point_x", "point_y", "point_z", "first", "order", "serpentine",
    "unit", "sign", "x", "y", "taken_at", "bed_celsius", "temperature_is", "plate", "identity",
)  # fmt: skip


def toml_block(proposal: Proposal, name: str = "survey", path: str = "/", *, headers: Sequence[str] = ()) -> str:
    """The block, ready to paste; what is unsure stands as a comment above. `headers` are names whose values are secret.

    Everything written reads back as the mapping of the proposal.
    """
    lines = [f"# {plain(text, 200)}" for text in proposal.unsure]
    lines.append(f"[mappings.{name if _BARE.match(name) else _text(name)}]")
    fields = {"path": path, **proposal.fields}
    lines += [f"{key} = {_value(fields[key])}" for key in _ORDER if key in fields]
    if headers:
        lines.append("headers = { " + ", ".join(_headers(headers)) + " }")
    return "\n".join(lines) + "\n"


def _headers(names: Sequence[str]) -> Iterator[str]:
    for name in names:
        source = re.sub(r"[^A-Z0-9]+", "_", name.upper()).strip("_") or "KEY"
        yield f'{_text(name)} = "env:{source}"'


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(part) for part in value) + "]"
    return repr(value)


def _text(value: str) -> str:
    """A basic string of TOML; JSON's escapes are among TOML's, but for the one character that TOML wants escaped."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
