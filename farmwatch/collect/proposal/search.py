"""Finding hosts: each address asked once for each mapping, many side by side, one request at a time per address."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime

from farmwatch.collect.attempt import PollAttempt, fetch_mesh
from farmwatch.collect.faults import PollError
from farmwatch.collect.fetch import Fetcher
from farmwatch.collect.mapping import HostMesh, Reader
from farmwatch.collect.proposal.proposing import propose
from farmwatch.config import Machine, Settings

__all__ = ["FoundHost", "search_hosts"]

# Most addresses of a network have no host, and each of those costs the whole deadline.
LONGEST_DEADLINE_SECONDS = 3.0
_NOBODY = ("unreachable", "timed-out")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundHost:
    """What answered at an address. `mappings` are those that read a mesh there, the best first."""

    address: str
    mappings: tuple[str, ...] = ()
    mesh: HostMesh | None = None
    """As the first of `mappings` reads it, or as it looks where none fits; None where nothing is like a mesh."""
    path: str = ""
    """Where the mesh stands that no mapping reads."""
    wants_key: bool = False


def search_hosts(
    settings: Settings,
    addresses: Sequence[str],
    mappings: Sequence[str],
    now: datetime,
    on_done: Callable[[int, int], None] | None = None,
) -> list[FoundHost]:
    """Ask each address (scheme, host and port) by each mapping and store nothing; those that answered, in order.

    Nothing but these addresses is asked: a redirect elsewhere is not followed.
    """
    readers = {name: Reader(settings.mappings[name]) for name in mappings}
    at_once = max(1, min(settings.poll.at_once, len(addresses)))
    found: dict[str, FoundHost] = {}
    with (
        Fetcher(
            deadline_seconds=min(settings.poll.deadline_seconds, LONGEST_DEADLINE_SECONDS),
            largest_answer=settings.poll.largest_answer_kib * 1024,
            connections=at_once,
            ca_file=settings.poll.ca_file,
            trust_env=settings.poll.trust_env,
        ) as fetcher,
        ThreadPoolExecutor(at_once, "farmwatch-find") as pool,
    ):
        waiting = {pool.submit(_ask, settings, one, readers, fetcher, now): one for one in addresses}
        try:
            for done, future in enumerate(as_completed(waiting), 1):
                host = future.result()
                if host is not None:
                    found[waiting[future]] = host
                if on_done is not None:
                    on_done(done, len(addresses))
        except BaseException:
            # The pool would else ask all the other addresses before it ends.
            pool.shutdown(wait=False, cancel_futures=True)
            fetcher.stop()
            raise
    return [found[address] for address in addresses if address in found]


def _ask(
    settings: Settings, address: str, readers: dict[str, Reader], fetcher: Fetcher, now: datetime
) -> FoundHost | None:
    """None where nobody answers."""
    attempts: dict[str, PollAttempt] = {}
    for name, reader in readers.items():
        machine = Machine(name="unnamed", model="unnamed", mapping=name, address=address, every_minutes=None)
        attempts[name] = attempt = fetch_mesh(settings, machine, fetcher, now, reader)
        if attempt.outcome in _NOBODY:
            return None if len(attempts) == 1 else _summed_up(address, attempts, fetcher, readers)
    return _summed_up(address, attempts, fetcher, readers)


def _summed_up(
    address: str, attempts: dict[str, PollAttempt], fetcher: Fetcher, readers: dict[str, Reader]
) -> FoundHost:
    fits = [name for name, attempt in attempts.items() if attempt.found is not None]
    # One that knows the machine's identity says more than one that does not.
    fits.sort(key=lambda name: readers[name].mapping.identity is None)
    if fits:
        return FoundHost(address=address, mappings=tuple(fits), mesh=attempts[fits[0]].found)
    for name, attempt in attempts.items():
        mapping = readers[name].mapping
        # An answer came and is not what the mapping says: without keys, since none is needed to look again.
        if attempt.outcome in ("garbled", "implausible", "no-mesh") and attempt.status is None and not mapping.query:
            try:
                answer = fetcher.get(address + mapping.path)
                proposals = propose(answer.body, answer.content_type)
            except PollError:
                continue
            if proposals:
                return FoundHost(address=address, mesh=proposals[0].found, path=mapping.path)
    return FoundHost(address=address, wants_key=any(one.outcome == "refused" for one in attempts.values()))
