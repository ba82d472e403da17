"""What came of asking a host: the outcome of a poll, and the one way a part of collect says that it went wrong."""

from __future__ import annotations

from farmwatch.errors import FarmwatchError
from farmwatch.store.records import Outcome

__all__ = ["PollError", "plain"]


class PollError(FarmwatchError):
    """No mesh came of it: `outcome` says in a word why, the message says it to a technician, `status` is HTTP's."""

    def __init__(self, outcome: Outcome, reason: str, status: int | None = None) -> None:
        super().__init__(reason)
        self.outcome: Outcome = outcome
        self.reason = reason
        self.status = status


def plain(text: object, longest: int = 60) -> str:
    """Text from a host on one line: nothing but printable characters, cut at `longest`."""
    line = " ".join(str(text)[: 4 * longest].split())
    line = "".join(sign if sign.isprintable() else "�" for sign in line)
    return line if len(line) <= longest else line[: longest - 1] + "…"
