"""The first page: what must stand on one sheet of A4, measured in millimetres before it is printed. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from farmwatch.report.decide import Decision, with_all_names, with_fewer_names
from farmwatch.report.work_sheets import WorkSheet
from farmwatch.text import count, joined, mm, shortened

__all__ = ["FrontPage", "FrontPageInput", "FrontRow", "Highlight", "fit_front_page", "front_rows"]

MOST_ROWS = 10
# Names a line, letters a name, and the room for machines that must be left: fewer where the page would hold none.
_NAMES = ((6, 28, 50.0), (4, 28, 24.0), (2, 28, 24.0), (2, 16, 0.0))
_FEWEST_DECISIONS = 4
# Millimetres of the page's 262 that are left once title, staff, headings, margins and cautions have theirs, and the
# height of a line of each kind: measured in print. Letters a line are those of a wide face, so that a narrow one
# leaves air.
_ROOM = 172.0
_SENTENCE_LINE, _SENTENCE_LETTERS = 5.6, 90
_TEXT_LINE, _HIGHLIGHT_LETTERS = 4.3, 88
_WHAT_LETTERS, _COMMAND_LETTERS, _THEN_LETTERS = 58, 44, 58
_ROW_LINE, _ROW_AIR = 4.05, 1.7
_CELL_LETTERS, _CELL_NAME_LETTERS = 26, 19
_TITLE_LINE, _TITLE_LETTERS = 7.0, 34
# FrontPageInput a longer title there is no place for week and days: they go under it.
_BLOCK = 13.0
_FOOT_LETTERS = 92
# The line under the staff of ranges has room for its usual tally; what the machines past the limit consist of may take
# another.
_TALLY_LINE = 3.9


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
class Highlight:
    """What else is in the report, in a line."""

    label: str
    words: str
    behind: str
    """Where all of it stands: the id of a section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPageInput:
    """What the first page tells in a line each: names, and where a name has more to it, words."""

    changed: Sequence[str] | None
    """None on a first report."""
    due: Sequence[str] | None
    """None where no history is long enough."""
    floor: Sequence[str]
    unseen: Sequence[str]
    out: Sequence[str]
    follow_ups: str = ""
    """What became of last week's list, in short."""
    in_progress: Sequence[str] = ()
    """Machines whose ticket is in work or proving."""
    accepted: Sequence[str] = ()
    past: str = ""
    """What the machines past the limit consist of; empty where all need hands."""
    run_where: str = ""
    """Where the report's commands are to be run; empty where they run anywhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontPage:
    """What the first page has room for."""

    decisions: tuple[Decision, ...]
    highlights: tuple[Highlight, ...]
    foot: tuple[str, str]
    """Under the decisions: where commands are run, and what of them stands on the next page."""
    room: float
    """Millimetres that are left for machines."""


def fit_front_page(decisions: Sequence[Decision], beside: FrontPageInput, farm: str, sentence: str) -> FrontPage:
    """The decisions that fit, first ones first, and the highlights, with as many names as leave room for machines."""
    for most, letters, wanted in _NAMES:
        shown = [with_fewer_names(decision, most, letters) for decision in decisions]
        page = _page(shown, decisions, _highlights(beside, most, letters), beside, farm, sentence)
        if page.room >= wanted:
            return page
    while len(shown) > _FEWEST_DECISIONS and page.room < 0.0:
        shown.pop()
        page = _page(shown, decisions, page.highlights, beside, farm, sentence)
    return page


def _page(
    shown: Sequence[Decision],
    decisions: Sequence[Decision],
    highlights: tuple[Highlight, ...],
    beside: FrontPageInput,
    farm: str,
    sentence: str,
) -> FrontPage:
    foot = (beside.run_where, _on_next_page(shown, decisions))
    left = _ROOM
    title = _lines(farm, _TITLE_LETTERS)
    left -= _TITLE_LINE * (title - 1) + (_BLOCK if title > 1 else 0.0)
    left -= _SENTENCE_LINE * _lines(sentence, _SENTENCE_LETTERS)
    left -= _TALLY_LINE if beside.past else 0.0
    left -= sum(1.1 + _TEXT_LINE * _decision_lines(decision) for decision in shown)
    left -= 1.1 + _TEXT_LINE * _lines(" ".join(foot), _FOOT_LETTERS) if any(foot) else 0.0
    left -= sum(_TEXT_LINE * _lines(row.words, _HIGHLIGHT_LETTERS) for row in highlights)
    return FrontPage(decisions=tuple(shown), highlights=highlights, foot=foot, room=left)


def _on_next_page(shown: Sequence[Decision], decisions: Sequence[Decision]) -> str:
    """Which part of the list the first page leaves to the next one; empty where it holds all."""
    cut = any(one.names != with_all_names(one).names for one in shown)
    more = len(decisions) - len(shown)
    parts = ["every machine by name"] if cut else []
    parts += [count(more, "more line", "more lines")] if more else []
    said = joined(parts)
    return f"The next page has {said}." if said else ""


def _highlights(beside: FrontPageInput, most: int, letters: int) -> tuple[Highlight, ...]:
    def named(names: Sequence[str], more: int = 0) -> str:
        return joined([shortened(name, letters + more) for name in names], most)

    rows = [
        ("Last week's list", beside.follow_ups, "became"),
        ("In work, proving", named(beside.in_progress, 24), "fleet"),
    ]
    if beside.changed is not None:
        many = f"{count(len(beside.changed), 'machine')}: {named(beside.changed)}"
        rows.append(("Moved this week", many if beside.changed else "none", "moved"))
    if beside.due is not None:
        rows.append(("Due in four weeks", named(beside.due, 20) or "none", "due"))
    rows.append(("As good as teeth allow", named(beside.floor), "floor"))
    rows.append(("Accepted as they are", named(beside.accepted, 36), "fleet"))
    rows.append(("Old, silent, in doubt", named(beside.unseen), "quiet"))
    rows.append(("Out of service", named(beside.out), "out"))
    return tuple(Highlight(label=label, words=words, behind=behind) for label, words, behind in rows if words)


def front_rows(sheets: Sequence[tuple[WorkSheet, str]], room: float) -> tuple[FrontRow, ...]:
    """As many of the machines that need hands as fit into `room` mm; with each sheet the day it began."""
    rows: list[FrontRow] = []
    for sheet, since in sheets[:MOST_ROWS]:
        row = _row(sheet, since)
        room -= _ROW_AIR + _ROW_LINE * _row_lines(row)
        if room < 0.0:
            break
        rows.append(row)
    return tuple(rows)


def _row(sheet: WorkSheet, since: str) -> FrontRow:
    return FrontRow(
        rank=sheet.rank,
        machine=shortened(sheet.machine),
        aisle="" if sheet.machine.startswith(sheet.aisle) else f"aisle {shortened(sheet.aisle)}",
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
