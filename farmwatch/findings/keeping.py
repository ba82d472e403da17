"""The findings of a farm: those that stand are taken from beside the store, the others are made anew and put there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

from farmwatch.config import Machine, Settings
from farmwatch.findings.anew import Lender, belief_of, find_anew, model_of
from farmwatch.findings.codec import Finding, packed, unpacked
from farmwatch.findings.file import KeptFile
from farmwatch.findings.fingerprint import fingerprints
from farmwatch.sources import Known, StoreSource
from farmwatch.store import Store

__all__ = ["MACHINES_READ_AT_ONCE", "find"]

# Their histories are in memory together, and those of no others.
MACHINES_READ_AT_ONCE = 500


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Order:
    """What is to be found of which farm."""

    source: StoreSource
    at: datetime
    following: bool

    @property
    def settings(self) -> Settings:
        return self.source.settings


_ordered: list[_Order] = []


def find(
    source: StoreSource, at: datetime, machines: Sequence[Machine], *, following: bool = True, jobs: int = 1
) -> tuple[list[Finding], Known]:
    """What is found of the machines at `at` (aware), in their order, and what else is known of them then.

    jobs: how many processes make what is missing. Raises StoreError.
    """
    order = _Order(source=source, at=at, following=following)
    known = source.known([machine.name for machine in machines], at, whole=False)
    file = KeptFile(source.store.path)
    found = _standing(order, known, machines, file)
    missing = [machine for machine in machines if machine.name not in found]
    blocks = [missing[i : i + MACHINES_READ_AT_ONCE] for i in range(0, len(missing), MACHINES_READ_AT_ONCE)]
    for block, rows in zip(blocks, _made(order, blocks, jobs), strict=True):
        file.save({machine.name: (mark, body) for machine, (mark, body) in zip(block, rows, strict=True)})
        for machine, (_, body) in zip(block, rows, strict=True):
            found[machine.name] = _read(order, machine, known, body)
    return [found[machine.name] for machine in machines], known


def _made(order: _Order, blocks: Sequence[Sequence[Machine]], jobs: int) -> Iterator[list[tuple[bytes, bytes]]]:
    """Fingerprint and finding of each machine, a list a block; by several processes where that is worth it."""
    if min(jobs, len(blocks)) < 2:
        for block in blocks:
            yield _make(order, block)
        return
    # Not by forking: the threads of DuckDB do not come along, and what they held stays shut.
    given = (order.settings, order.source.store.path, order.at, order.following)
    with ProcessPoolExecutor(min(jobs, len(blocks)), get_context("spawn"), _take_over, given) as pool:
        yield from pool.map(_make_there, blocks)


def _take_over(settings: Settings, database: Path, at: datetime, following: bool) -> None:
    """In another process: know the order that it was started for."""
    _ordered.append(_Order(source=StoreSource(settings, Store(database)), at=at, following=following))


def _make_there(machines: Sequence[Machine]) -> list[tuple[bytes, bytes]]:
    return _make(_ordered[-1], machines)


def _make(order: _Order, machines: Sequence[Machine]) -> list[tuple[bytes, bytes]]:
    # Histories and what they come to are read as one state: a finding never gets another record's fingerprint.
    known = order.source.known([machine.name for machine in machines], order.at)
    marks = _marks(order, known, machines)
    lender = Lender(order.settings, order.source, order.at)
    made = find_anew(order.settings, known, order.at, machines, lender, following=order.following)
    return [(marks[machine.name], packed(finding)) for machine, finding in zip(machines, made, strict=True)]


def _marks(order: _Order, known: Known, machines: Sequence[Machine]) -> dict[str, bytes]:
    learned = {name: repr(prior.by_name()) for name, prior in known.priors.items()}
    return fingerprints(order.settings, machines, known, following=order.following, learned=learned)


def _read(order: _Order, machine: Machine, known: Known, body: bytes) -> Finding:
    return unpacked(body, model_of(order.settings, machine, belief_of(order.settings, machine, known)))


def _standing(order: _Order, known: Known, machines: Sequence[Machine], file: KeptFile) -> dict[str, Finding]:
    """Findings made from the same as is known now, that stand at the time asked for."""
    settings, now = order.settings, order.at.timestamp()
    bodies = file.load(_marks(order, known, machines))
    lender = Lender(settings, order.source, order.at)
    found: dict[str, Finding] = {}
    for machine in machines:
        body = bodies.get(machine.name)
        if body is None:
            continue
        try:
            finding = _read(order, machine, known, body)
        except (ValueError, TypeError, LookupError):
            continue
        mm = finding.borrowed_mm
        if finding.since < now < finding.until and (mm is None or mm == lender.noise_mm(machine.model)):
            found[machine.name] = finding
    return found
