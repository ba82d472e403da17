"""How anything gets onto a screen: text from hosts, files and names is plain, whatever stands in it.

The console reads no markup, so a machine called "[bold]x" is shown as that; `sanitize` takes out what a terminal would
obey. Commands print foreign text through `sanitize` (or as a cell of a `table`, which does so itself).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from farmwatch.text import sanitize

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = ["console", "echo", "error", "paragraph", "print_json", "progress", "table", "width"]

_BROADEST = 120
_NARROWEST = 40
_LONGEST_ON_A_LINE = 20
# Between the columns of a table, and what no column goes below.
_GAP, _NARROWEST_COLUMN = 2, 6


def error(text: str, prefix: str = "farmwatch: ") -> None:
    """Say a fault on standard error; only line ends of ours may break it into lines.

    Where that cannot be written (a full disk) the exit code still says it.
    """
    with suppress(OSError):
        print(prefix + "\n".join(sanitize(line) for line in text.split("\n")), file=sys.stderr, flush=True)


def console(stderr: bool = False) -> Console:
    """A console that obeys nothing in the text: no markup, no emoji codes, no colouring of numbers."""
    from rich.console import Console

    class PlainConsole(Console):
        """Says that the reader of a pipe has gone, in place of ending the program itself."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    found = PlainConsole(stderr=stderr, markup=False, emoji=False, highlight=False, soft_wrap=False)
    # Outside a terminal nothing knows the width: 80 columns, unless COLUMNS says otherwise.
    found.width = max(_NARROWEST, min(found.width, _BROADEST))
    return found


def width() -> int:
    """Columns to write in, 40 to 120."""
    return console().width


def echo(text: str = "", *, strong: bool = False) -> None:
    """A line of our own words; foreign parts of it went through `sanitize`."""
    console().print(_text(text, strong), soft_wrap=True)


def print_json(document: dict[str, Any]) -> None:
    """One document on a line of ASCII, for other programs."""
    import json

    print(json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":")))


def paragraph(text: str, *, indent: int = 0, hang: int = 0, strong: bool = False) -> None:
    """Words wrapped to the screen, indented, the lines after the first by `hang` more."""
    import textwrap

    lines = textwrap.wrap(
        text,
        width(),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
        break_on_hyphens=False,
    )
    for line in lines:
        echo(line, strong=strong)


def table(columns: Sequence[tuple[str, bool]], rows: Sequence[Sequence[str]], strong: Callable[[int], bool]) -> None:
    """A table: heading and whether its figures stand to the right; rows for which `strong` holds are bold.

    Laid out here: for the thousand machines of a large farm rich takes half a second.
    """
    headings = [heading for heading, _ in columns]
    cells = [[sanitize(cell) for cell in row] for row in rows]
    sides = [right for _, right in columns]
    broad = _breadths(headings, cells, sides)
    whole = _text("\n".join(_lines(headings, broad, sides)), strong=True)
    for number, row in enumerate(cells):
        whole.append("\n").append_text(_text("\n".join(_lines(row, broad, sides)), strong(number)))
    console().print(whole, soft_wrap=True)


def _breadths(headings: Sequence[str], rows: Sequence[Sequence[str]], sides: Sequence[bool]) -> list[int]:
    """How broad each column is: as its longest cell, or the longest less where the screen has not that much room."""
    from rich.cells import cell_len

    broad = [max(map(cell_len, column)) for column in zip(headings, *rows, strict=True)]
    # Names stay whole on one line, unless one is so long that it would push the rest off the screen.
    kept = {number for number, right in enumerate(sides) if right} | ({0} if broad[0] <= _LONGEST_ON_A_LINE else set())
    giving = [number for number in range(len(broad)) if number not in kept] or list(range(len(broad)))
    room = width() - _GAP * (len(broad) - 1)
    while sum(broad) > room:
        broadest = max(giving, key=lambda number: broad[number])
        if broad[broadest] <= _NARROWEST_COLUMN:
            break
        broad[broadest] -= 1
    return broad


def _lines(cells: Sequence[str], broad: Sequence[int], sides: Sequence[bool]) -> Iterator[str]:
    """One row of a table: the lines that its longest cell takes."""
    from itertools import zip_longest

    from rich.cells import cell_len

    folded = [_folded(cell, room) for cell, room in zip(cells, broad, strict=True)]
    for parts in zip_longest(*folded, fillvalue=""):
        padded = (
            " " * (room - cell_len(part)) + part if right else part + " " * (room - cell_len(part))
            for part, room, right in zip(parts, broad, sides, strict=True)
        )
        yield (" " * _GAP).join(padded).rstrip()


@lru_cache(maxsize=4096)
def _folded(cell: str, room: int) -> list[str]:
    """A cell in lines of at most `room` columns, between words where that can be."""
    from rich.cells import cell_len
    from rich.text import Text

    if cell_len(cell) <= room:
        return [cell]
    return [line.plain.rstrip() for line in Text(cell).wrap(console(), room, overflow="fold")]


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A bar for long work while both streams are a terminal; yields what moves it (done, total), or None in a pipe."""
    if not (sys.stdout.isatty() and sys.stderr.isatty()):
        yield None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)

        def move(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield move


def _text(text: str, strong: bool) -> Text:
    from rich.text import Text

    return Text(_writable(text), style="bold" if strong else "")


def _writable(text: str) -> str:
    """The text with a plain hyphen for each minus where the terminal has no other: no height may lose its sign."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return text.replace("\N{MINUS SIGN}", "-")
    return text
