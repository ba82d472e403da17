"""The first page: what must stand on one sheet of A4, measured in millimetres before it is printed. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from farmwatch.report.decide import Decision, with_fewer_names
from farmwatch.report.hands import Sheet
from farmwatch.report.text import count, joined, mm, shortened

__all__ = ["Beside", "FrontRow", "Glance", "fitted", "front_rows"]

MOST_ROWS = 10
# Names a line and letters a name: fewer where the page would hold no machines.
_NAMES = ((4, 28), (2, 28), (2, 16))
_ROOM_FOR_ROWS = 30.0
_FEWEST_DECISIONS = 4
# Millimetres of the page's 262 that are left once title, staff, headings, margins and cautions have theirs, and the
# height of a line of each kind: measured in print. Letters a line are those of a wide face, so that a narrow one
# leaves air.
_ROOM = 166.0
_SENTENCE_LINE, _SENTENCE_LETTERS = 5.6, 90
_TEXT_LINE, _GLANCE_LETTERS = 4.3, 88
_WHAT_LETTERS, _COMMAND_LETTERS, _THEN_LETTERS = 58, 44, 58
_ROW_LINE, _ROW_AIR = 4.05, 1.7
_CELL_LETTERS, _CELL_NAME_LETTERS = 26, 19
_TITLE_LINE, _TITLE_LETTERS = 7.0, 34
# Beside a longer title there is no place for week and days: they go under it.
_BLOCK = 13.0
_MORE_LINE = 5.4


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontRow:
    """One line of the first page's list of machines that need hands."""

    rank: int
    machine: str
    aisle: str
    range_mm: float
    cause: str
    confirmed: bool
    advice: str
    reach: str
    since: str
    ticket: str
    """The number of its open ticket; empty where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What else is in the report, in a line."""

    label: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What the first page tells in a line each: names, and where a name has more to it, words."""

    moved: Sequence[str] | None
    """None on a first report."""
    due: Sequence[str] | None
    """None where no history is long enough."""
    floor: Sequence[str]
    quiet: Sequence[str]
    out: Sequence[str]
    became: str = ""
    """What became of last week's list, in short."""
    in_hand: Sequence[str] = ()
    """Machines whose ticket is in work or proving."""
    accepted: Sequence[str] = ()


def fitted(
    decisions: Sequence[Decision], beside: Beside, farm: str, sentence: str
) -> tuple[tuple[Decision, ...], tuple[Glance, ...]]:
    """The decisions that fit, the first ones first, and the glance: with as many names as leave room for machines."""
    for most, letters in _NAMES:
        shown = tuple(with_fewer_names(decision, most, letters) for decision in decisions)
        glance = _glance_rows(beside, most, letters)
        if _room(farm, sentence, shown, glance) >= _ROOM_FOR_ROWS:
            return shown, glance
    while len(shown) > _FEWEST_DECISIONS and _room(farm, sentence, shown, glance) < _MORE_LINE:
        shown = shown[:-1]
    return shown, glance


def _glance_rows(beside: Beside, most: int, letters: int) -> tuple[Glance, ...]:
    def named(names: Sequence[str], more: int = 0) -> str:
        return joined([shortened(name, letters + more) for name in names], most)

    rows = [("Last week's list", beside.became), ("In work, proving", named(beside.in_hand, 24))]
    if beside.moved is not None:
        many = f"{count(len(beside.moved), 'machine')}: {named(beside.moved)}"
        rows.append(("Moved this week", many if beside.moved else "none"))
    if beside.due is not None:
        rows.append(("Due in four weeks", named(beside.due, 20) or "none"))
    rows.append(("As good as teeth allow", named(beside.floor)))
    rows.append(("Accepted as they are", named(beside.accepted, 36)))
    rows.append(("Old, silent, in doubt", named(beside.quiet)))
    rows.append(("Out of service", named(beside.out)))
    return tuple(Glance(label=label, words=words) for label, words in rows if words)


def front_rows(
    sheets: Sequence[tuple[Sheet, str]],
    farm: str,
    sentence: str,
    decisions: Sequence[Decision],
    glance: Sequence[Glance],
) -> tuple[FrontRow, ...]:
    """As many of the machines that need hands as the page has room for; with each sheet the day it began."""
    left = _room(farm, sentence, decisions, glance)
    rows: list[FrontRow] = []
    for sheet, since in sheets[:MOST_ROWS]:
        row = _row(sheet, since)
        left -= _ROW_AIR + _ROW_LINE * _row_lines(row)
        if left < 0.0:
            break
        rows.append(row)
    return tuple(rows)


def _room(farm: str, sentence: str, decisions: Sequence[Decision], glance: Sequence[Glance]) -> float:
    """Millimetres that are left for machines."""
    left = _ROOM
    title = _lines(farm, _TITLE_LETTERS)
    left -= _TITLE_LINE * (title - 1) + (_BLOCK if title > 1 else 0.0)
    left -= _SENTENCE_LINE * _lines(sentence, _SENTENCE_LETTERS)
    left -= sum(1.1 + _TEXT_LINE * _decision_lines(decision) for decision in decisions)
    left -= sum(_TEXT_LINE * _lines(row.words, _GLANCE_LETTERS) for row in glance)
    return left


def _row(sheet: Sheet, since: str) -> FrontRow:
    return FrontRow(
        rank=sheet.rank,
        machine=shortened(sheet.machine),
        aisle="" if sheet.machine.startswith(sheet.aisle) else shortened(sheet.aisle),
        range_mm=sheet.range_mm,
        cause=sheet.cause,
        confirmed=sheet.confirmed,
        advice=sheet.advice_in_short,
        reach=mm(sheet.stages[-1][1]) if sheet.stages else "",
        since=since,
        ticket="" if sheet.ticket is None else f"ticket {sheet.ticket.number}",
    )


def _row_lines(row: FrontRow) -> int:
    cause = row.cause if row.confirmed else row.cause + " (not confirmed)"
    return max(
        _lines(" ".join(part for part in (row.machine, row.aisle, row.ticket) if part), _CELL_NAME_LETTERS),
        _lines(cause, _CELL_LETTERS),
        _lines(row.advice, _CELL_LETTERS),
    )


def _decision_lines(decision: Decision) -> int:
    command = decision.command
    if len(command) > _COMMAND_LETTERS:
        right = _lines(command, _COMMAND_LETTERS) + (_lines(decision.then, _THEN_LETTERS) if decision.then else 0)
    else:
        right = math.ceil((1.2 * len(command) + 2 + len(decision.then)) / _THEN_LETTERS)
    return max(right, _lines(f"{decision.what}: {decision.names}.", _WHAT_LETTERS))


def _lines(words: str, letters: int) -> int:
    return max(1, math.ceil(len(words) / letters))
