"""Asks one machine's host once: its mesh and what stands beside it, or the outcome that stands in its place."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import quote

from farmwatch import config
from farmwatch.collect.faults import PollError
from farmwatch.collect.fetch import Fetcher
from farmwatch.collect.mapping import HostMesh, Reader
from farmwatch.collect.watchdog import Deadline
from farmwatch.config import ConfigError, Machine, Secret, Settings
from farmwatch.outcomes import Outcome
from farmwatch.store.records import KeptAnswer

__all__ = ["PollAttempt", "fetch_mesh", "fetcher_for"]

LARGEST_KEPT = 256 << 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PollAttempt:
    """What one question brought: a mesh in `found`, or none and the outcome and reason why."""

    machine: str
    at: datetime
    """When the answer had come, UTC."""
    seconds: float
    outcome: Outcome
    """`new` where a mesh was found; whether it is `same` or another machine's, only the store can tell."""
    reason: str = ""
    found: HostMesh | None = None
    status: int | None = None
    """HTTP's status, where it was the trouble."""


def fetcher_for(settings: Settings) -> Fetcher:
    """A fetcher sized to the farm; close it when done."""
    poll = settings.poll
    return Fetcher(
        deadline_seconds=poll.deadline_seconds,
        largest_answer=poll.largest_answer_kib * 1024,
        connections=max(1, sum(machine.address is not None for machine in settings.machines)),
        ca_file=poll.ca_file,
        trust_env=poll.trust_env,
    )


def fetch_mesh(
    settings: Settings,
    machine: Machine,
    fetcher: Fetcher,
    now: datetime | Callable[[], datetime],
    reader: Reader | None = None,
) -> PollAttempt:
    """Ask one machine and store nothing. `now` is a time, or what tells it once the answer has come.

    `reader` saves compiling the mapping anew.

    Raises Stopped where the fetcher was stopped meanwhile; whatever else goes wrong is an outcome.
    """
    start = time.monotonic()
    secrets: list[str] = []
    found, trouble = None, None
    try:
        if machine.address is None or machine.mapping is None:
            raise PollError("unreachable", "it has no address: its meshes are imported")
        reader = reader or Reader(settings.mappings[machine.mapping])
        found, parts = _found(machine.name, machine.address, reader, fetcher, secrets)
        if settings.farm.keep_answers and _may_be_kept(parts, secrets):
            found = replace(found, answer=KeptAnswer.packed(parts))
    except PollError as fault:
        trouble = fault
    seconds = time.monotonic() - start
    return PollAttempt(
        machine=machine.name,
        at=now() if callable(now) else now,
        seconds=seconds,
        outcome=trouble.outcome if trouble else "new",
        reason=_scrubbed(trouble.reason if trouble else "; ".join(found.remarks if found else ()), secrets),
        found=found,
        status=trouble.status if trouble else None,
    )


def _found(
    name: str, address: str, reader: Reader, fetcher: Fetcher, secrets: list[str]
) -> tuple[HostMesh, list[bytes]]:
    """The mesh, and the answers that it was read from."""
    mapping = reader.mapping
    headers = _revealed("header", mapping.headers, secrets)
    query = _revealed("query", mapping.query, secrets)
    with fetcher.deadline() as deadline:
        body = fetcher.get(_url(address, mapping.path, name), headers, query, deadline).body
        also = [_also(part, address, name, fetcher, deadline, headers, query) for part in mapping.also]
    return reader.read(body, also), [body, *also]


def _may_be_kept(parts: list[bytes], secrets: list[str]) -> bool:
    """No secret reaches the database, should a host send one back; and a mesh takes no quarter of a MiB."""
    small = sum(map(len, parts)) <= LARGEST_KEPT
    return small and not any(secret and secret.encode() in part for secret in secrets for part in parts)


def _also(
    part: config.settings.Also,
    address: str,
    name: str,
    fetcher: Fetcher,
    deadline: Deadline,
    headers: dict[str, str],
    query: dict[str, str],
) -> bytes:
    try:
        return fetcher.get(_url(address, part.path, name), headers, query, deadline).body
    except PollError as trouble:
        # 404 here is a wrong path and not a mesh that is still to come.
        outcome = "host-error" if trouble.outcome == "no-mesh" else trouble.outcome
        raise PollError(outcome, f"the second address: {trouble.reason}", trouble.status) from None


def _url(address: str, path: str, machine: str) -> str:
    return address.rstrip("/") + path.replace("{machine}", quote(machine, safe=""))


def _revealed(what: str, values: dict[str, str | Secret], secrets: list[str]) -> dict[str, str]:
    plain: dict[str, str] = {}
    for name, value in values.items():
        if isinstance(value, Secret):
            try:
                plain[name] = value.reveal()
            except ConfigError as error:
                raise PollError("refused", f"not asked, the {what} {name} cannot be sent: {error}") from None
            secrets.append(plain[name])
        else:
            plain[name] = value
    return plain


def _scrubbed(reason: str, secrets: list[str]) -> str:
    """The reason without any secret, should a host have sent one back in its answer."""
    for secret in secrets:
        if secret:
            reason = reason.replace(secret, "…").replace(quote(secret, safe=""), "…")
    return reason
