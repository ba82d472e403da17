"""Every host: what came of the last try, why, what mends it, and how often it was understood over fourteen days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from flask import Response, request

from farmwatch.config.settings import Machine
from farmwatch.outcomes import OUTCOMES
from farmwatch.pages.app import reader, source
from farmwatch.pages.look import page
from farmwatch.store.records import LastAnswer

__all__ = ["hosts"]

OVER = timedelta(days=14)
ON_A_PAGE = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Host:
    """One machine's host."""

    of: Machine
    last: LastAnswer | None
    fix: str
    good: int
    tries: int

    @property
    def is_well(self) -> bool:
        """Whether nobody need look at it."""
        return self.last is not None and not self.fix


def hosts() -> Response:
    """Those that somebody must see to first."""
    farm, found = source(), reader().snapshot()
    with farm.store.one_state():
        last = farm.store.last_answers()
        shares = farm.store.poll_shares(found.at - OVER, found.at)
    asked = [machine for machine in found.settings.machines if machine.address and machine.mapping]
    every = [_host(machine, last.get(machine.name), shares.get(machine.name, (0, 0))) for machine in asked]
    amiss = [host for host in every if not host.is_well]
    wanted = every if request.args.get("show") == "all" else amiss
    part = request.args.get("part", "1")
    start = (int(part) - 1) * ON_A_PAGE if part.isascii() and part.isdecimal() and 0 < len(part) < 5 else 0
    start = max(start, 0)
    return page(
        "hosts.html",
        found=found,
        shown=wanted[start : start + ON_A_PAGE],
        part=start // ON_A_PAGE + 1,
        more=max(0, len(wanted) - start - ON_A_PAGE),
        well=len(every) - len(amiss),
        amiss=len(amiss),
        everything=wanted is every,
        imported=len(found.settings.machines) - len(every),
    )


def _host(machine: Machine, last: LastAnswer | None, share: tuple[int, int]) -> Host:
    fix = "" if last is None else OUTCOMES[last.outcome].fix
    return Host(of=machine, last=last, fix=fix, good=share[0], tries=share[1])
