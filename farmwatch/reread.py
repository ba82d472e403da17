"""Readings made anew of what the hosts answered, where the mapping that read them first has been corrected since."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from farmwatch.collect import PollError, Reader
from farmwatch.config import Settings
from farmwatch.mesh import Mesh
from farmwatch.store import Store
from farmwatch.store.records import KeptAnswer

__all__ = ["Rereading", "plan_reread"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rereading:
    """What reading kept answers anew would change; nothing is changed until `carry_out`."""

    anew: Sequence[tuple[KeptAnswer, Mesh]]
    """Each answer with the mesh that today's mapping reads from it, by machine and time."""
    unreadable: Mapping[str, tuple[int, str]]
    """By machine, how many answers today's mapping cannot read, and why the last of them."""
    without_answer: Mapping[str, int]
    """By machine, how many readings of another mapping have no kept answer."""
    read_by: Mapping[str, str]

    def carry_out(self, store: Store, at: datetime) -> None:
        """Replace the meshes, in one transaction, and say so in `rereads`. Raises StoreError."""
        store.replace_meshes(self.anew, self.read_by, at)


def plan_reread(
    settings: Settings, store: Store, names: Sequence[str] | None = None, since: datetime | None = None
) -> Rereading:
    """Read the kept answers of machines (all if None) anew, from `since` on (aware). Raises StoreError.

    Only readings that another mapping read than the one their machine has now are looked at.
    """
    machines = {m.name: m for m in settings.machines if m.mapping and (names is None or m.name in names)}
    read_by = {name: mark for name, mark in settings.read_by.items() if name in machines}
    readers = {name: Reader(mapping) for name, mapping in settings.mappings.items()}
    kept, without = store.answers_of_other_mappings(read_by, since)
    anew: list[tuple[KeptAnswer, Mesh]] = []
    unreadable: dict[str, tuple[int, str]] = {}
    for answer in kept:
        body, *also = answer.parts
        try:
            found = readers[machines[answer.machine].mapping or ""].read(body, also)
        except PollError as fault:
            unreadable[answer.machine] = (unreadable.get(answer.machine, (0, ""))[0] + 1, fault.reason)
        else:
            anew.append((answer, found.mesh))
    return Rereading(anew=anew, unreadable=unreadable, without_answer=without, read_by=read_by)
