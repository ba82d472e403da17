"""Reversal: the plate turned by half a turn tells its own form from the machine's."""

from __future__ import annotations

from collections.abc import Sequence

from farmwatch.follow.followed import Form, Reversal

__all__ = ["reverse"]


def reverse(forms: Sequence[Form]) -> tuple[Reversal | None, str]:
    """What a turned plate tells, or None and why not."""
    return None, "the plate has not been turned"
