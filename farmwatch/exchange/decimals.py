"""A number as files write it: digits, a point, an exponent; not all that Python would take for one."""

from __future__ import annotations

import re

__all__ = ["decimal"]

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?|[+-]?(?i:nan|inf|infinity)")


def decimal(text: str) -> float:
    """The number; raises ValueError for `1_0`, for digits of other scripts and for what is none."""
    if not _NUMBER.fullmatch(text.strip()):
        raise ValueError(f"{text[:40]!r} is no number")
    return float(text)
