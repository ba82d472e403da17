"""Finding hosts: each address asked once for each mapping, many side by side, one request at a time per address."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

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
    name: str = ""
    """The machine asked for, where the mapping's path holds its name."""


def search_hosts(
    settings: Settings,
    addresses: Sequence[str],
    mappings: Sequence[str],
    now: datetime,
    on_done: Callable[[int, int], None] | None = None,
    names: Sequence[str] = (),
) -> list[FoundHost]:
    """Ask each address (scheme, host and port) by each mapping and store nothing; those that answered, in order.

    A mapping whose path holds the machine's name is asked once for each of `names`.
    Nothing but these addresses is asked: a redirect elsewhere is not followed.
    """
    readers = {name: Reader(settings.mappings[name]) for name in mappings}
    by_name = {key: reader for key, reader in readers.items() if "{machine}" in reader.mapping.path}
    plain = {key: reader for key, reader in readers.items() if key not in by_name}
    wanted = [(address, "") for address in addresses] if plain else []
    wanted += [(address, name) for address in addresses for name in names] if by_name else []
    at_once = max(1, min(settings.poll.at_once, len(wanted)))
    found: dict[tuple[str, str], FoundHost] = {}
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
        waiting = {pool.submit(_ask, settings, one, by_name if one[1] else plain, fetcher, now): one for one in wanted}
        try:
            for done, future in enumerate(as_completed(waiting), 1):
                host = future.result()
                if host is not None:
                    found[waiting[future]] = host
                if on_done is not None:
                    on_done(done, len(wanted))
        except BaseException:
            # The pool would else ask all the other addresses before it ends.
            pool.shutdown(wait=False, cancel_futures=True)
            fetcher.stop()
            raise
    return [found[one] for one in wanted if one in found]


def _ask(
    settings: Settings, wanted: tuple[str, str], readers: dict[str, Reader], fetcher: Fetcher, now: datetime
) -> FoundHost | None:
    """None where nobody answers."""
    address, asked_for = wanted
    attempts: dict[str, PollAttempt] = {}
    for name, reader in readers.items():
        machine = Machine(
            name=asked_for or "unnamed", model="unnamed", mapping=name, address=address, every_minutes=None
        )
        attempts[name] = attempt = fetch_mesh(settings, machine, fetcher, now, reader)
        if attempt.outcome in _NOBODY:
            return None if len(attempts) == 1 else _summed_up(wanted, attempts, fetcher, readers)
    return _summed_up(wanted, attempts, fetcher, readers)


def _summed_up(
    wanted: tuple[str, str], attempts: dict[str, PollAttempt], fetcher: Fetcher, readers: dict[str, Reader]
) -> FoundHost:
    address, name = wanted
    fits = [key for key, attempt in attempts.items() if attempt.found is not None]
    # One that knows the machine's identity says more than one that does not.
    fits.sort(key=lambda key: readers[key].mapping.identity is None)
    if fits:
        return FoundHost(address=address, mappings=tuple(fits), mesh=attempts[fits[0]].found, name=name)
    for key, attempt in attempts.items():
        mapping = readers[key].mapping
        path = mapping.path.replace("{machine}", quote(name, safe=""))
        # An answer came and is not what the mapping says: without keys, since none is needed to look again.
        if attempt.outcome in ("garbled", "implausible", "no-mesh") and attempt.status is None and not mapping.query:
            try:
                answer = fetcher.get(address + path)
                proposals = propose(answer.body, answer.content_type)
            except PollError:
                continue
            if proposals:
                return FoundHost(address=address, mesh=proposals[0].found, path=path, name=name)
    return FoundHost(address=address, wants_key=any(one.outcome == "refused" for one in attempts.values()), name=name)
