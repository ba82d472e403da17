"""What can come of one poll of one machine, a row each: what it says of the host, and who or what mends it.

A new outcome is its code in the `Literal`, its row here, and the place in `collect` that gives it. A code without its
row fails in a test of completeness; every other place reads these rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

__all__ = ["OUTCOMES", "Outcome", "OutcomeRow"]

Outcome = Literal[
    "new", "same", "no-mesh", "refused", "unreachable", "timed-out", "host-error", "garbled", "implausible",
    "other-machine",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeRow:
    """What an outcome says of the host."""

    answered: bool
    """The host itself answered: it is not silent."""
    understood: bool = False
    """It said what its mapping expects."""
    fix: str = ""
    """What mends it; empty where nothing is wrong."""
    failure: bool = False
    """A person or time must mend it: the host is asked less often meanwhile. One with no mesh is asked as ever."""
    wants_a_person: bool = False
    """No later poll mends it by itself."""


OUTCOMES: Mapping[Outcome, OutcomeRow] = MappingProxyType(
    {
        "new": OutcomeRow(answered=True, understood=True),
        "same": OutcomeRow(answered=True, understood=True),
        "no-mesh": OutcomeRow(
            answered=True,
            understood=True,
            fix="the host answers and has no mesh: probe the bed once, or correct the path of the mapping",
        ),
        "refused": OutcomeRow(
            answered=True,
            failure=True,
            wants_a_person=True,
            fix="give the key or password that the host wants under the mapping's headers or query; "
            "its own manual says which",
        ),
        "unreachable": OutcomeRow(
            answered=False,
            failure=True,
            fix="see that the machine is on and on the network, and that the address is right",
        ),
        "timed-out": OutcomeRow(
            answered=False,
            failure=True,
            fix="see what slows the host or the network, or raise poll.deadline_seconds",
        ),
        # A 5xx or a broken certificate comes from whatever stands in front of the host as often as from the host.
        "host-error": OutcomeRow(
            answered=False,
            failure=True,
            wants_a_person=True,
            fix="look at the host itself: it answered that it cannot, or its certificate or redirect is not to be "
            "trusted",
        ),
        "garbled": OutcomeRow(
            answered=True,
            failure=True,
            wants_a_person=True,
            fix="compare the answer with the mapping: farmwatch mapping ADDRESS proposes one",
        ),
        "implausible": OutcomeRow(
            answered=True,
            wants_a_person=True,
            fix="see that unit, sign and coordinates of the mapping are the host's; else look at the probe",
        ),
        "other-machine": OutcomeRow(
            answered=True,
            failure=True,
            wants_a_person=True,
            fix="the address leads to another machine than before: correct it, or, where the host was replaced: "
            "farmwatch note NAME replaced",
        ),
    }
)
