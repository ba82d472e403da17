"""Writes a proposal as the `[mappings.…]` block of a configuration."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from typing import Any, get_args

from farmwatch.collect.proposal.proposing import Proposal
from farmwatch.config import Mapping
from farmwatch.text import excerpt

__all__ = ["toml_block"]

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
# Keys in the order in which a reader meets them in the documentation.
_ORDER = (
    "path", "answer", "heights", "layout", "columns", "point_x", "point_y", "point_z", "first", "order", "serpentine",
    "unit", "sign", "x", "y", "taken_at", "taken_at_format", "bed_celsius", "temperature_is", "plate", "identity",
)  # fmt: skip
Headers = Sequence[str] | dict[str, str]
_CHOSEN = ("first", "order", "unit", "sign", "temperature_is")


# A line with its remark must hold on a narrow screen.
_BROADEST = 45


def toml_block(
    proposal: Proposal, name: str = "survey", path: str = "/", *, headers: Headers = (), doubts: bool = True
) -> str:
    """The block, ready to paste; what is unsure stands as a comment above. `headers` are names whose values are secret,
    with where each comes from (env:… or file:…) where that is known.

    What the answer cannot say for certain (`first`, `order`, `unit`, `sign`) is always written, with what else it can
    be. All that is written reads back as the mapping of the proposal, and a value to fill in is refused until it is.
    `doubts` false leaves out the comments above, for whoever says them elsewhere.
    """
    lines = [f"# {excerpt(text, 200)}" for text in proposal.unsure if doubts]
    lines.append(f"[mappings.{name if _BARE.match(name) else _text(name)}]")
    fields = {"path": path, **_choices(proposal.fields), **proposal.fields}
    lines += [line for key in _ORDER if key in fields for line in _lines(key, fields[key])]
    if headers:
        lines.append("headers = { " + ", ".join(_headers(headers)) + " }")
    return "\n".join(lines) + "\n"


def _choices(fields: dict[str, Any]) -> dict[str, Any]:
    """The keys of few values that bear on this mapping, as they are where it does not name them."""
    in_points = fields.get("layout") == "points"
    keys = ["unit", "sign"] if in_points else ["first", "order", "unit", "sign"]
    keys += ["temperature_is"] if "bed_celsius" in fields else []
    return {key: Mapping.model_fields[key].default for key in keys}


def _lines(key: str, value: Any) -> list[str]:
    """A key with its value, and what else it can be behind it, or below where a narrow screen has no room."""
    line = f"{key} = {_value(value)}"
    if key not in _CHOSEN:
        return [line]
    others = [other for other in get_args(Mapping.model_fields[key].annotation) if other != value]
    remark = f"# or {', '.join(map(_value, others))}"
    both = f"{line}  {remark}"
    return [both] if len(both) <= _BROADEST else [line, remark]


def _headers(given: Headers) -> Iterator[str]:
    for name in given:
        source = given.get(name, "") if isinstance(given, dict) else ""
        made_up = re.sub(r"[^A-Z0-9]+", "_", name.upper()).strip("_") or "KEY"
        yield f"{_text(name)} = {_text(source or f'env:{made_up}')}"


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
