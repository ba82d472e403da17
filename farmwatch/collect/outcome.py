"""What came of asking a host: the outcome of a poll, and the one way a part of collect says that it went wrong."""

from __future__ import annotations

from farmwatch.errors import FarmwatchError
from farmwatch.outcomes import Outcome

__all__ = ["PollError"]


class PollError(FarmwatchError):
    """No mesh came of it: `outcome` says in a word why, the message says it to a technician, `status` is HTTP's."""

    def __init__(self, outcome: Outcome, reason: str, status: int | None = None) -> None:
        super().__init__(reason)
        self.outcome: Outcome = outcome
        self.reason = reason
        self.status = status
