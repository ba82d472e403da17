"""Text in CSV cells that no spreadsheet takes for a formula.

A text that begins with = + - @ (or a tab or return, which a spreadsheet drops) gets an apostrophe in front, and so
does one that begins with apostrophes before such a sign: so taking one away gives every text back as it was.
"""

from __future__ import annotations

import re

__all__ = ["from_cell", "to_cell"]

_RISKY = re.compile(r"'*[=+\-@\t\r\n]")
_KEPT = re.compile(r"'+[=+\-@\t\r\n]")


def to_cell(text: str) -> str:
    """The text as it stands in a cell."""
    return f"'{text}" if _RISKY.match(text) else text


def from_cell(cell: str) -> str:
    """The text of a cell written by `to_cell`, or by anybody else."""
    return cell[1:] if _KEPT.match(cell) else cell
