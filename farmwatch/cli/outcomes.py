"""What came of polls, for people: like faults together, each with its fix."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from farmwatch.cli.screen import echo, paragraph
from farmwatch.outcomes import OUTCOMES
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.cli.mesh_fit import Misfit
    from farmwatch.store import PollRecord

__all__ = ["show_misfits", "show_notices", "show_remarks", "show_troubles"]

_MOST_NAMES = 12
_ADDRESS = re.compile(r"https?://\S+")


def show_troubles(records: Iterable[PollRecord]) -> None:
    """The tries that brought no mesh: a block for each outcome and reason, with the machines and the fix."""
    _show_blocks((record.outcome, OUTCOMES[record.outcome].fix, record.machine, record.reason) for record in records)


def show_misfits(found: Iterable[tuple[str, Misfit]]) -> None:
    """The machines whose mesh does not fit the configuration, in blocks like those of the troubles."""
    _show_blocks((misfit.what, misfit.fix, machine, misfit.reason) for machine, misfit in found)


def show_remarks(records: Iterable[PollRecord]) -> None:
    """What is amiss with machines that brought their mesh all the same."""
    _show_blocks(("worth a second look", "", record.machine, record.reason) for record in records if record.reason)


def show_notices(found: Iterable[tuple[str, str]]) -> None:
    """What is worth a second look at machines that are ready."""
    _show_blocks(("worth a second look", "", machine, words) for machine, words in found)


def _show_blocks(found: Iterable[tuple[str, str, str, str]]) -> None:
    """Heading, fix, machine and reason of each: a block for each heading, in it a line for each reason."""
    groups: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    for heading, fix, machine, reason in sorted(found, key=lambda item: item[2]):
        # What differs in the address only is one fault of many machines.
        alike = _ADDRESS.sub("the host", reason)
        groups.setdefault((heading, fix, alike), []).append((machine, reason))
    last = None
    for (heading, fix, alike), group in sorted(groups.items(), key=lambda item: (item[0][0], -len(item[1]))):
        if heading != last:
            if last is not None:
                echo()
            echo(heading, strong=True)
            if fix:
                paragraph(f"fix: {fix}", indent=2, hang=5)
            last = heading
        reason = group[0][1] if len(group) == 1 else alike
        names = _listed([machine for machine, _ in group])
        paragraph(f"{names}: {sanitize(reason) or 'no reason given'}", indent=2, hang=2)
    if last is not None:
        echo()


def _listed(names: list[str]) -> str:
    shown = [sanitize(name) for name in names[:_MOST_NAMES]]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")
