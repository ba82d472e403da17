"""The first hour in a browser: an address in, its answer read, what in it can be a mesh, drawn, and the block to copy.

A browser must not make this computer ask whatever it likes: only hosts of `[pages] may_ask` and those of the machines
are asked, by their numbers, so that no name can lead elsewhere; this computer and link-local addresses only where they
are listed. No header is sent, so no key can be sent to a stranger.
"""

from __future__ import annotations

import ipaddress
import logging
import threading
from dataclasses import dataclass
from urllib.parse import urlsplit

from flask import Response, request

from farmwatch.collect import Fetcher, PollError
from farmwatch.collect.proposal import Proposal, propose, toml_block
from farmwatch.config import Settings
from farmwatch.errors import InputError
from farmwatch.mesh import Mesh
from farmwatch.model import Model, Screw
from farmwatch.pages.app import source
from farmwatch.pages.guard import tell_log
from farmwatch.pages.look import page
from farmwatch.report.shared import contour_sheet

__all__ = ["form", "look"]

DEADLINE_SECONDS, LARGEST_ANSWER = 8.0, 4 * 1024 * 1024
LONGEST_ADDRESS = 500
MOST_SHOWN = 3
_one_at_a_time = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One reading of the answer: the block, why, what is not sure, and the bed by it."""

    of: Proposal
    block: str
    bed: object


def form() -> Response:
    """The form."""
    return page("mapping.html", url="", fault="", shown=[], settings=source().settings())


def look() -> Response:
    """Ask the address once and show what was found."""
    url, settings = request.form.get("url", "").strip()[:LONGEST_ADDRESS], source().settings()
    tell_log(logging.INFO, "mapping-asked", url=url.partition("?")[0])
    try:
        return page("mapping.html", url=url, fault="", shown=_proposals(url, settings), settings=settings)
    except (InputError, PollError) as fault:
        words = fault.reason if isinstance(fault, PollError) else str(fault)
        answer = page("mapping.html", url=url, fault=words, shown=[], settings=settings)
        answer.status_code = 422
        return answer


def _proposals(url: str, settings: Settings) -> list[Shown]:
    path = _refuse_strangers(url, settings)
    if not _one_at_a_time.acquire(blocking=False):
        raise InputError("another host is being asked just now; try again in a few seconds")
    try:
        with Fetcher(
            deadline_seconds=DEADLINE_SECONDS, largest_answer=LARGEST_ANSWER, ca_file=settings.poll.ca_file
        ) as fetcher:
            answer = fetcher.get(url, {})
        found = propose(answer.body, answer.content_type)
    finally:
        _one_at_a_time.release()
    if not found:
        raise InputError(
            "nothing in this answer can be a mesh: no rectangular block of heights, no list of a plausible length, no "
            "points. Its manual may tell of another path, or the machine has not probed its bed yet"
        )
    return [
        Shown(of=one, block=toml_block(one, "new-mapping", path), bed=_bed(one.found.mesh, f"bed{number}"))
        for number, one in enumerate(found[:MOST_SHOWN])
    ]


def _refuse_strangers(url: str, settings: Settings) -> str:
    """The path of an address that may be asked; raises InputError for any other."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        raise InputError("this is no web address; wanted one such as http://10.20.1.11/v1/survey/latest") from None
    if parts.scheme not in ("http", "https") or not host or "@" in parts.netloc or not url.isprintable():
        raise InputError("this is no web address; wanted one such as http://10.20.1.11/v1/survey/latest")
    known = {urlsplit(machine.address).netloc.lower() for machine in settings.machines if machine.address}
    if parts.netloc.lower() in known:
        return parts.path or "/"
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        raise InputError(
            "wanted the host by its number, or one of a configured machine as it is written there"
        ) from None
    if not any(address.version == network.version and address in network for network in settings.pages.may_ask):
        raise InputError(
            "this host may not be asked from here; the configuration lists those that may: [pages] may_ask"
        )
    return parts.path or "/"


def _bed(mesh: Mesh, key: str) -> object:
    """The bed as it would be read, with no screws, since its model is not known."""
    x0, y0, x1, y1 = (float(v) for v in (mesh.x.min(), mesh.y.min(), mesh.x.max(), mesh.y.max()))
    corners = (Screw(name="a", x_mm=x0, y_mm=y0, reference=True), Screw(name="b", x_mm=x1, y_mm=y1))
    model = Model(name="unknown", screws=corners)
    return contour_sheet(mesh, model, key=key, title="Bed as it would be read", small=True)
