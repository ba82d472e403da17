"""Collect: ask hosts over HTTP (GET only), read their answers by their mappings, and keep what they said.

`fetch` gets one answer within a deadline and a size (its parts: `session`, `connection`, `watchdog`, `unpack`,
`faults`); `mapping` reads it (`document`, `lookup`, `grid`, `hosttime`); `asking` does both for one machine; `poll` for
the farm, with `workers` that ask and a `recorder` that tells new from same and stores. `proposal` reads what has no
mapping yet.
"""

from farmwatch.collect.attempt import PollAttempt, fetch_mesh, fetcher_for
from farmwatch.collect.fetch import Answer, Fetcher, Stopped
from farmwatch.collect.mapping import HostMesh, Reader, read_answer
from farmwatch.collect.outcome import PollError
from farmwatch.collect.poll import Memory, PollRound, poll_once, reading_of

__all__ = [
    "Answer",
    "Fetcher",
    "HostMesh",
    "Memory",
    "PollAttempt",
    "PollError",
    "PollRound",
    "Reader",
    "Stopped",
    "fetch_mesh",
    "fetcher_for",
    "poll_once",
    "read_answer",
    "reading_of",
]
