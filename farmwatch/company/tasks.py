"""A task: some machines of one site, assessed where it runs, from the lake's own files; figures come back, no meshes.

A task says all that it is about in a few kilobytes, so that any process on any computer that reaches the lake can do
it, and its figures are the same wherever it was done. What cannot be read or assessed is named and left out.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache

from farmwatch.assess import MACHINES_A_BLOCK, assess
from farmwatch.company.learned import Evidence, evidence_of, pooled_evidence
from farmwatch.company.manifest import Manifest
from farmwatch.company.place import open_place
from farmwatch.company.site import SiteData
from farmwatch.errors import FarmwatchError
from farmwatch.report.shared import Sums, added, find_ticket_facts, sums_of
from farmwatch.store import Store
from farmwatch.store.records import LearnedDrift
from farmwatch.tickets import Ticket, TicketRepository

__all__ = ["MACHINES_A_TASK", "Task", "TaskResult", "run_task"]

MACHINES_A_TASK = 4 * MACHINES_A_BLOCK
"""Coarse: beside a thousand machines' assessment what a scheduler costs is nothing."""

# Of glibc's malloc.h. To set the one stops the other from growing by itself, so both are set.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
_KEPT_BYTES, _LARGEST_BYTES = 256 << 20, 32 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Machines `first` to before `last` of a site, in the order of its configuration, at one time and a week before."""

    url: str
    folder: str
    manifest: bytes
    without: tuple[str, ...]
    """Files that the manifest names and that are not read."""
    first: int
    last: int
    at: datetime
    before: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskResult:
    """What came of a task."""

    sums: Sums
    evidence: Evidence
    drift: Mapping[str, LearnedDrift] = field(default_factory=dict)
    """By model, what the site had learned of its drift; told by a site's first task alone."""
    faults: tuple[str, ...] = ()
    """What was left out, a sentence each."""


@dataclass(frozen=True, slots=True)
class _Site:
    """What the blocks of a task share."""

    data: SiteData
    task: Task
    tickets: list[Ticket]
    faults: list[str]


def run_task(task: Task) -> TaskResult:
    """Assess the machines of a task. Raises FarmwatchError where the site cannot be read at all."""
    _keep_memory()
    data = SiteData(open_place(task.url), task.folder, Manifest.read(task.manifest), task.without)
    names = [machine.name for machine in data.settings.machines[task.first : task.last]]
    # What is wrong with a table of the site is said once, not of every machine.
    known = data.store(names[:1], [])
    site = _Site(data, task, [], [])
    done = []
    for start in range(0, len(names), MACHINES_A_BLOCK):
        done += _block(site, names[start : start + MACHINES_A_BLOCK], data.reading_files)
    return TaskResult(
        sums=added([sums for sums, _ in done]),
        evidence=pooled_evidence([evidence for _, evidence in done]),
        drift=known.learned_drift(task.at) if task.first == 0 else {},
        faults=tuple(dict.fromkeys(site.faults)),
    )


def _block(site: _Site, names: Sequence[str], files: Sequence[str]) -> list[tuple[Sums, Evidence]]:
    """Some machines together; where that fails, files that cannot be read are left out, then halves are tried."""
    try:
        return [_assessed(site, site.data.store(names, files), names)]
    except Exception as fault:  # whatever a poisoned reading sets off: the others are assessed
        faulty = site.data.faulty(names, files)
        if faulty:
            site.faults.extend(f"the file {path} is damaged: its readings are left out" for path in faulty)
            return _block(site, names, [path for path in files if path not in faulty])
        if len(names) == 1:
            site.faults.append(f"{names[0]} cannot be assessed ({_words(fault)}): it is left out")
            return []
    middle = len(names) // 2
    return _block(site, names[:middle], files) + _block(site, names[middle:], files)


def _words(fault: Exception) -> str:
    said = " ".join(str(fault).split())[:120]
    return said if isinstance(fault, FarmwatchError) else f"{type(fault).__name__}: {said}"


def _assessed(site: _Site, store: Store, names: Sequence[str]) -> tuple[Sums, Evidence]:
    settings, source = site.data.settings, site.data.source(store, names)
    now = assess(settings, source, site.task.at, names)
    # Of the week before only ranges and conditions are told.
    before = assess(settings, source, site.task.before, names, following=False)
    book = TicketRepository(store)
    tickets, events = book.tickets(), book.events()
    mine = set(names)
    own = [ticket for ticket in tickets if ticket.machine in mine]
    numbers = {ticket.number for ticket in own}
    facts = find_ticket_facts(own, [event for event in events if event.number in numbers], now, site.task.before)
    if not site.tickets:
        site.tickets.extend(find_ticket_facts(tickets, events, now, site.task.before).now)
    return sums_of(now, before, facts, site.tickets, settings.farm.timezone), evidence_of(now, facts.figures)


@cache
def _keep_memory() -> None:
    """Let the allocator keep what it has freed.

    With a threshold of 64 KiB, as workers of dask are given it, every larger array is asked of the system anew and
    given back, page by page (measured: 610,000 page faults in place of 115,000, a quarter of the time and more).
    """
    if sys.platform == "linux":
        try:
            libc = ctypes.CDLL(None)
            libc.mallopt(_M_TRIM_THRESHOLD, _KEPT_BYTES)
            libc.mallopt(_M_MMAP_THRESHOLD, _LARGEST_BYTES)
        except (OSError, AttributeError):
            return  # Another C library; it has no such threshold.
