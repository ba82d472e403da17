"""Every address of the pages, a row each: what answers there, and who may ask it.

A page is a function and its row here; nothing is served that has no row. `who` is the least role that may ask;
"anyone" needs no name. A viewer reads; a technician works on tickets and machines; a manager decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from farmwatch.config.settings import Role

__all__ = ["ROLES", "ROUTES", "Route", "may"]

Who = Role | Literal["anyone"]

ROLES: tuple[Role, ...] = ("viewer", "technician", "manager")


@dataclass(frozen=True, slots=True)
class Route:
    """One address. `view` is module:function within this package; POST changes something, GET never does."""

    rule: str
    name: str
    view: str
    who: Who
    method: Literal["GET", "POST"] = "GET"
    kind: Literal["page", "json"] = "page"
    """What an error looks like there: a page, or problem details (RFC 9457). Tokens read what is for programs."""
    limit: str = ""
    """How often it may be tried, by `guard.LIMITS`."""


_TICKET = "/tickets/<int(max=2147483647):number>"

ROUTES: tuple[Route, ...] = (
    Route("/health", "health", "published:health", "anyone", kind="json"),
    Route("/metrics", "metrics", "published:metrics", "anyone", kind="json"),
    Route("/style/<name>", "style", "look:style", "anyone"),
    Route("/sign-in", "sign_in", "sign_in:form", "anyone"),
    Route("/sign-in", "sign_in_now", "sign_in:sign_in", "anyone", "POST", limit="sign-in"),
    Route("/you", "you", "sign_in:you", "viewer"),
    Route("/sign-out", "sign_out", "sign_in:sign_out", "viewer", "POST"),
    Route("/", "fleet", "fleet:fleet", "viewer"),
    Route("/machines/<machine:name>", "machine", "machine:machine", "viewer"),
    Route("/machines/<machine:name>/tickets", "ticket_open", "ticket_steps:open_", "technician", "POST"),
    Route("/tickets", "tickets", "tickets:tickets", "viewer"),
    Route("/tickets/due-work.ics", "calendar", "tickets:calendar", "viewer", kind="json"),
    Route("/tickets/together", "tickets_together", "ticket_steps:together", "technician", "POST"),
    Route(f"{_TICKET}", "ticket", "ticket:ticket", "viewer"),
    Route(f"{_TICKET}/sheet", "sheet", "ticket:sheet", "viewer"),
    Route(f"{_TICKET}/approve", "ticket_approve", "ticket_steps:approve", "manager", "POST"),
    Route(f"{_TICKET}/assign", "ticket_assign", "ticket_steps:assign", "manager", "POST"),
    Route(f"{_TICKET}/take", "ticket_take", "ticket_steps:take", "technician", "POST"),
    Route(f"{_TICKET}/put-back", "ticket_put_back", "ticket_steps:put_back", "technician", "POST"),
    Route(f"{_TICKET}/done", "ticket_done", "ticket_steps:done", "technician", "POST"),
    Route(f"{_TICKET}/nothing-found", "ticket_nothing_found", "ticket_steps:nothing_found", "technician", "POST"),
    Route(f"{_TICKET}/accept", "ticket_accept", "ticket_steps:accept", "manager", "POST"),
    Route(f"{_TICKET}/withdraw", "ticket_withdraw", "ticket_steps:withdraw", "manager", "POST"),
    Route(f"{_TICKET}/reopen", "ticket_reopen", "ticket_steps:reopen", "manager", "POST"),
    Route(f"{_TICKET}/undo", "ticket_undo", "ticket_steps:undo", "technician", "POST"),
)


def may(role: Role, who: Who) -> bool:
    """Whether somebody of that role may ask what needs `who`."""
    return who == "anyone" or ROLES.index(role) >= ROLES.index(who)
