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
    """What an error looks like there: a page, or problem details (RFC 9457)."""


ROUTES: tuple[Route, ...] = (
    Route("/health", "health", "published:health", "anyone", kind="json"),
    Route("/metrics", "metrics", "published:metrics", "anyone", kind="json"),
    Route("/style/<name>", "style", "look:style", "anyone"),
    Route("/", "fleet", "fleet:fleet", "viewer"),
    Route("/machines/<machine:name>", "machine", "machine:machine", "viewer"),
)


def may(role: Role, who: Who) -> bool:
    """Whether somebody of that role may ask what needs `who`."""
    return who == "anyone" or ROLES.index(role) >= ROLES.index(who)
