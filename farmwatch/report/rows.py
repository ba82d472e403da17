"""A machine in a list, and two lists: machines that slip again, and what cannot be seen. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE
from farmwatch.judge.words import advice_phrase
from farmwatch.report.changes import why_repeated
from farmwatch.report.decisions import host_at_fault
from farmwatch.report.ticket_facts import TicketRef
from farmwatch.text import shortened, spaced

__all__ = ["MachineRow", "find_repeats", "find_unseen", "fleet_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineRow:
    """One machine in a list, with what the list says of it, a sentence each."""

    of: Assessment
    notes: tuple[str, ...] = ()
    ticket: TicketRef | None = None
    number: int = 0
    """Its place in the configuration, from 1."""
    in_short: str = ""
    """What is to be done at it, in a few words; empty where nothing is."""

    @property
    def machine(self) -> str:
        """Its name."""
        return self.of.machine


def find_repeats(working: Sequence[Assessment], at: datetime, zone: tzinfo) -> tuple[MachineRow, ...]:
    """Machines that slip again, in the order of the configuration."""
    rows = ((m, why_repeated(m, at, zone)) for m in working)
    return tuple(MachineRow(of=m, notes=tuple(why)) for m, why in rows if why)


def find_unseen(machines: Sequence[Assessment]) -> tuple[MachineRow, ...]:
    """Silent hosts first, then old meshes, then machines that never sent one, then meshes in doubt."""
    found = []
    for m in machines:
        why = [*_host_words(m), *_mesh_words(m), *m.warnings]
        if why:
            found.append(((not m.silent, not m.mesh_old, m.reading is not None), MachineRow(of=m, notes=tuple(why))))
    return tuple(row for _, row in sorted(found, key=lambda item: item[0]))


def _host_words(machine: Assessment) -> list[str]:
    if not host_at_fault(machine):
        return []
    said = ": ".join(word for word in (spaced(machine.last_outcome or ""), machine.last_reason) if word)
    what = "host silent" if machine.silent else "host gives no usable mesh"
    return [f"{what} ({said})" if said else what]


def _mesh_words(machine: Assessment) -> list[str]:
    if machine.reading is None:
        return ["never sent a mesh"]
    said = ["the mesh is old; its condition stands"] if machine.mesh_old else []
    if not machine.reading.judged:
        said.append(f"newest mesh ignored: {machine.reading.why_not_judged or 'it cannot be judged'}")
    return said


def fleet_rows(
    machines: Sequence[Assessment], refs: Mapping[str, TicketRef], awaiting: Collection[str]
) -> tuple[MachineRow, ...]:
    """Every machine with what is to be done there in a few words; awaiting: nothing is turned there before a mesh."""
    return tuple(
        MachineRow(of=m, ticket=refs.get(m.machine), number=i, in_short=_in_short(m, m.machine in awaiting))
        for i, m in enumerate(machines, 1)
    )


def _in_short(machine: Assessment, awaits_check: bool) -> str:
    if awaits_check:
        return "don't touch; probe hot"
    if not machine.in_service:
        return shortened(machine.out_reason, 34)
    return advice_phrase([one for one in machine.advice if not ADVICE[one].idle], short=True)
