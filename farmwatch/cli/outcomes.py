"""What came of polls, for people: like faults together, each with its fix."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from farmwatch.cli.screen import paragraph, plain, say

if TYPE_CHECKING:
    from farmwatch.store import Outcome, PollRecord

__all__ = ["FIXES", "say_troubles"]

FIXES: dict[Outcome, str] = {
    "no-mesh": "the host answers and has no mesh: probe the bed once, or correct the path of the mapping",
    "refused": "give the key or password that the host wants under the mapping's headers or query; "
    "its own manual says which",
    "unreachable": "see that the machine is on and on the network, and that the address is right",
    "timed-out": "see what slows the host or the network, or raise poll.deadline_seconds",
    "host-error": "look at the host itself: it answered that it cannot, or its certificate or redirect is not to be "
    "trusted",
    "garbled": "compare the answer with the mapping: farmwatch mapping ADDRESS proposes one",
    "implausible": "see that unit, sign and coordinates of the mapping are the host's; else look at the probe",
    "other-machine": "the address leads to another machine than before: correct it, or, where the host was replaced: "
    "farmwatch note NAME replaced",
}
_MOST_NAMES = 12
_ADDRESS = re.compile(r"https?://\S+")


def say_troubles(records: Iterable[PollRecord]) -> None:
    """The tries that brought no mesh: a block for each outcome and reason, with the machines and the fix."""
    groups: dict[tuple[Outcome, str], list[PollRecord]] = {}
    for record in sorted(records, key=lambda record: record.machine):
        # What differs in the address only is one fault of many machines.
        alike = _ADDRESS.sub("the host", record.reason)
        groups.setdefault((record.outcome, alike), []).append(record)
    last = None
    for (outcome, alike), group in sorted(groups.items(), key=lambda item: (item[0][0], -len(item[1]))):
        if outcome != last:
            if last is not None:
                say()
            say(outcome, strong=True)
            paragraph(f"fix: {FIXES[outcome]}", indent=2, hang=5)
            last = outcome
        reason = group[0].reason if len(group) == 1 else alike
        names = _listed([record.machine for record in group])
        paragraph(f"{names}: {plain(reason) or 'no reason given'}", indent=2, hang=2)
    if last is not None:
        say()


def _listed(names: list[str]) -> str:
    shown = [plain(name) for name in names[:_MOST_NAMES]]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")
