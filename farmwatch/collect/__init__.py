"""Collect: ask hosts over HTTP (GET only), read their answers by their mappings, and keep what they said.

`fetch` gets one answer within a deadline and a size (its parts: `session`, `connection`, `watchdog`, `unpack`,
`faults`); `mapping` reads it (`document`, `lookup`, `grid`, `hosttime`); `asking` does both for one machine; `poll` for
the farm, with a `crew` that asks and a `gathering` that tells new from same and stores. `proposal` reads what has no
mapping yet.
"""

from farmwatch.collect.asking import Asked, ask, fetcher_for
from farmwatch.collect.fetch import Answer, Fetcher, Stopped
from farmwatch.collect.mapping import HostMesh, Reader, read_answer
from farmwatch.collect.outcome import Trouble
from farmwatch.collect.poll import Memory, PollRound, poll_once, reading_of

__all__ = [
    "Answer",
    "Asked",
    "Fetcher",
    "HostMesh",
    "Memory",
    "PollRound",
    "Reader",
    "Stopped",
    "Trouble",
    "ask",
    "fetcher_for",
    "poll_once",
    "read_answer",
    "reading_of",
]
