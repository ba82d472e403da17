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


_MACHINE = "/machines/<machine:name>"
_WHEN = "<int(max=9007199254740991):when>"
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
    Route(_MACHINE, "machine", "machine:machine", "viewer"),
    Route(f"{_MACHINE}/tickets", "ticket_open", "ticket_steps:open_", "technician", "POST"),
    Route(f"{_MACHINE}/notes", "machine_note", "machine_deeds:note", "technician", "POST"),
    Route(f"{_MACHINE}/out", "machine_out", "machine_deeds:out", "technician", "POST"),
    Route(f"{_MACHINE}/back", "machine_back", "machine_deeds:back", "technician", "POST"),
    Route(f"{_MACHINE}/ask", "machine_ask", "machine_deeds:ask", "technician", "POST", limit="asking"),
    Route(f"{_MACHINE}/meshes", "meshes", "meshes:meshes", "viewer"),
    Route(f"{_MACHINE}/meshes/difference", "difference", "meshes:difference", "viewer"),
    Route(f"{_MACHINE}/meshes/{_WHEN}", "mesh", "meshes:mesh", "viewer"),
    Route(f"{_MACHINE}/meshes/{_WHEN}/set-aside", "mesh_set_aside", "meshes:set_aside", "technician", "POST"),
    Route(f"{_MACHINE}/meshes/{_WHEN}/put-back-in", "mesh_put_back_in", "meshes:put_back_in", "technician", "POST"),
    Route("/realign/<machine:name>", "realign", "realign:realign", "viewer"),
    Route("/realign/<machine:name>/events", "realign_events", "realign:events", "viewer", kind="json"),
    Route("/realign/<machine:name>/begin", "realign_begin", "realign:begin", "technician", "POST"),
    Route("/realign/<machine:name>/answer", "realign_answer", "realign:answer", "technician", "POST"),
    Route("/realign/<machine:name>/take-back", "realign_take_back", "realign:take_back", "technician", "POST"),
    Route("/realign/<machine:name>/take-over", "realign_take_over", "realign:take_over", "technician", "POST"),
    Route("/realign/<machine:name>/leave", "realign_leave", "realign:leave", "technician", "POST"),
    Route("/tickets", "tickets", "tickets:tickets", "viewer"),
    Route("/tickets/due-work.ics", "calendar", "tickets:calendar", "viewer", kind="json"),
    Route("/tickets/together", "tickets_together", "ticket_steps:together", "technician", "POST"),
    Route(_TICKET, "ticket", "ticket:ticket", "viewer"),
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
    Route("/wall", "wall", "wall:wall", "viewer"),
    Route("/hosts", "hosts", "hosts:hosts", "viewer"),
    Route("/hosts/mapping", "mapping", "mapping_helper:form", "manager"),
    Route("/hosts/mapping", "mapping_look", "mapping_helper:look", "manager", "POST", limit="asking"),
    Route("/reports", "reports", "reports:reports", "viewer"),
    Route("/reports/<name>", "report_file", "reports:file", "viewer"),
    Route("/settings", "settings", "settings:settings", "manager"),
    Route("/api/openapi.json", "api_openapi", "api:openapi", "viewer", kind="json"),
    Route("/api/fleet", "api_fleet", "api:fleet", "viewer", kind="json"),
    Route("/api/assessment", "api_assessment", "api:assessment", "viewer", kind="json"),
    Route("/api/machines/<machine:name>/readings", "api_readings", "api:readings", "viewer", kind="json"),
    Route("/api/tickets", "api_tickets", "api:tickets", "viewer", kind="json"),
    Route("/api/tickets/<int(max=2147483647):number>", "api_ticket", "api:ticket", "viewer", kind="json"),
)


def may(role: Role, who: Who) -> bool:
    """Whether somebody of that role may ask what needs `who`."""
    return who == "anyone" or ROLES.index(role) >= ROLES.index(who)
