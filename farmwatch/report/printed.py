"""On which printed sheet each part of the report stands, so that page 1 and the list of machines can name it. Pure.

The first five sheets are the same in every edition; slips stand two to a sheet, a machine's work sheet is one, and the
fleet stands sixty machines to a sheet. What may run over several sheets comes after these.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from farmwatch.judge import Assessment

__all__ = ["FleetPage", "PrintedPages", "plan_pages"]

FRONT, CHANGES, COMING, UNSEEN, CAUTIONS = 1, 2, 3, 4, 5
SLIPS_A_PAGE = 2
CELLS_A_ROW = 5
# Heights in mm: of a row of machines, of an aisle's name, and of what a sheet holds.
_ROW_MM, _AISLE_MM, _PAGE_MM = 20.0, 8.0, 250.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPage:
    """One sheet of the fleet: aisles (a name and whether it goes on from the sheet before) with their machines."""

    page: int
    aisles: tuple[tuple[str, bool, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedPages:
    """Page numbers by what is looked for."""

    of_machine: Mapping[str, int]
    """Where each machine is read of first: its work sheet, its slip, or its place in the fleet."""
    of_section: Mapping[str, int]
    """By the id of a section that page 1 points at."""
    fleet: tuple[FleetPage, ...]


def plan_pages(machines: Sequence[Assessment], slips: Sequence[str], sheets: Sequence[str]) -> PrintedPages:
    """The plan of an edition: all machines in the order of the configuration, those with a slip and with a sheet."""
    first_slip = CAUTIONS + 1
    first_sheet = first_slip + -(-len(slips) // SLIPS_A_PAGE)
    first_fleet = first_sheet + len(sheets)
    fleet = _fleet_pages(machines, first_fleet)
    found = {name: page.page for page in fleet for _, _, names in page.aisles for name in names}
    found |= {name: first_slip + i // SLIPS_A_PAGE for i, name in enumerate(slips)}
    found |= {name: first_sheet + i for i, name in enumerate(sheets)}
    sections = {"moved": CHANGES, "due": COMING, "unseen": UNSEEN, "out": UNSEEN, "cautions": CAUTIONS}
    sections |= {"slips": first_slip, "sheets": first_sheet, "fleet": first_fleet}
    return PrintedPages(of_machine=found, of_section=sections, fleet=fleet)


def _fleet_pages(machines: Sequence[Assessment], first: int) -> tuple[FleetPage, ...]:
    """By aisle, by name in it; an aisle begins where the one before ends and goes on overleaf."""
    pages: list[list[tuple[str, bool, tuple[str, ...]]]] = [[]]
    left = _PAGE_MM
    ordered = sorted(machines, key=lambda m: (m.aisle, m.machine))
    for aisle, group in groupby(ordered, key=lambda m: m.aisle):
        names, again = [m.machine for m in group], False
        while names:
            rows = int((left - _AISLE_MM) // _ROW_MM)
            if rows < 1:
                pages.append([])
                left = _PAGE_MM
                continue
            taken, names = names[: rows * CELLS_A_ROW], names[rows * CELLS_A_ROW :]
            pages[-1].append((aisle, again, tuple(taken)))
            left -= _AISLE_MM + _ROW_MM * -(-len(taken) // CELLS_A_ROW)
            again = True
    return tuple(FleetPage(page=first + i, aisles=tuple(page)) for i, page in enumerate(pages) if page)
