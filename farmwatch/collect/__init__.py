"""Collect: ask hosts over HTTP (GET only), read their answers by their mappings, and keep what they said.

`fetch` gets one answer within a deadline and a size (its parts: `session`, `connection`, `watchdog`, `body`,
`faults`); `mapping` reads it (`lookup`, `grid`, `hosttime`); `attempt` does both for one machine; `poll` for the farm,
with `workers` that ask and a `recorder` that tells new from same and stores. `proposal` reads what has no mapping yet.
`posting` sends what a farm wants to hear, on the same guarded connections. Public beside the names of this door are the
parts `proposal` and `watchdog`, which bounds any wait.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
