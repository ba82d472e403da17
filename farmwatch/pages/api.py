"""The same as JSON, for programs: GET alone, a token or a session, described by /api/openapi.json."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import orjson
from flask import Response, request

from farmwatch import __version__
from farmwatch.assess import assess
from farmwatch.errors import InputError
from farmwatch.judge import assessment_document
from farmwatch.pages.app import reader, source
from farmwatch.store.reading_json import reading_line
from farmwatch.tickets import TicketRepository

__all__ = ["assessment", "fleet", "openapi", "readings", "ticket", "tickets"]

MOST_MACHINES, MOST_READINGS = 50, 1000


def fleet() -> Response:
    """Every machine in short, as last judged: farmwatch.fleet/1."""
    found = reader().snapshot()
    if found.fleet is None:
        return _json({"schema": "farmwatch.fleet/1", "at": None, "limits": None, "machines": []})
    return _json(found.fleet.short_document())


def assessment() -> Response:
    """All that is known of up to fifty machines, judged now: farmwatch.assessment/1."""
    farm = source()
    settings = farm.settings()
    wanted = request.args.getlist("machine") or [machine.name for machine in settings.machines]
    if len(wanted) > MOST_MACHINES:
        raise InputError(
            f"name the machines (?machine=NAME, again for each), at most {MOST_MACHINES}; /api/fleet has all"
        )
    names = [settings.machine(name).name for name in wanted]
    return _json(assessment_document(assess(settings, farm.store, farm.clock(), names)))


def tickets() -> Response:
    """Every ticket: farmwatch.tickets/1; `open=yes` those that are open."""
    only_open = request.args.get("open") == "yes"
    found = [one.document() for one in reader().snapshot().tickets if one.is_open or not only_open]
    return _json({"schema": "farmwatch.tickets/1", "tickets": found})


def ticket(number: int) -> Response:
    """One ticket with what happened to it: farmwatch.ticket/1."""
    book = TicketRepository(source().store)
    one = book.ticket(number)
    return _json({**one.document(), "events": [event.document() for event in book.events(number)]})


def readings(name: str) -> Response:
    """Readings of a machine as NDJSON, the newest first."""
    machine = source().settings().machine(name).name
    most = request.args.get("most", "50")
    if not (most.isascii() and most.isdecimal() and 0 < len(most) < 5 and 1 <= int(most) <= MOST_READINGS):
        raise InputError(f"most: wanted a whole number from 1 to {MOST_READINGS}")
    since, until = _time("since"), _time("until")
    found = source().store.readings_of(machine, since, until, most=int(most))
    lines = map(reading_line, found)
    body = b"".join(line if line.isascii() else _plain(orjson.loads(line)) for line in lines)
    return Response(body, content_type="application/x-ndjson")


def openapi() -> Response:
    """What stands here, as OpenAPI 3.1."""
    return _json(_document())


def _time(name: str) -> datetime | None:
    text = request.args.get(name)
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None or not 2000 <= found.year <= 2100:
        raise InputError(f"{name}: wanted RFC 3339, such as 2026-11-23T06:00:00Z")
    return found


def _json(document: Any) -> Response:
    return Response(_plain(document), content_type="application/json")


def _plain(document: Any) -> bytes:
    """The document in ASCII, as the commands print it: foreign text that a terminal would obey stands escaped."""
    return json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode("ascii") + b"\n"


def _document() -> dict[str, Any]:
    machine = {"name": "machine", "in": "query", "description": "a machine's name; may be given again",
               "schema": {"type": "array", "items": {"type": "string"}}, "explode": True}  # fmt: skip
    times = [
        {"name": name, "in": "query", "schema": {"type": "string", "format": "date-time"}}
        for name in ("since", "until")
    ]
    most = {
        "name": "most",
        "in": "query",
        "schema": {"type": "integer", "minimum": 1, "maximum": MOST_READINGS, "default": 50},
    }
    name = {"name": "name", "in": "path", "required": True, "schema": {"type": "string"},
            "description": 'a machine; "~" and "/" in its name as in RFC 6901'}  # fmt: skip
    number = {"name": "number", "in": "path", "required": True, "schema": {"type": "integer"}}
    open_ = {"name": "open", "in": "query", "schema": {"type": "string", "enum": ["yes"]}}
    return {
        "openapi": "3.1.0",
        "info": {"title": f"farmwatch of {source().settings().farm.name}", "version": __version__},
        "servers": [{"url": source().settings().pages.url or "/"}],
        "security": [{"token": []}],
        "paths": {
            "/api/fleet": _get("Every machine in short, as last judged", "farmwatch.fleet/1"),
            "/api/assessment": _get("All that is known of machines, judged now", "farmwatch.assessment/1", machine),
            "/api/machines/{name}/readings": _get(
                "Readings of a machine, a line each, the newest first", "reading", name, *times, most,
                kind="application/x-ndjson",
            ),
            "/api/tickets": _get("Tickets", "farmwatch.tickets/1", open_),
            "/api/tickets/{number}": _get("One ticket and what happened to it", "farmwatch.ticket/1", number),
        },
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {"problem": _PROBLEM},
        },
    }  # fmt: skip


_PROBLEM = {
    "type": "object",
    "description": "RFC 9457",
    "properties": {
        "type": {"type": "string"}, "title": {"type": "string"}, "status": {"type": "integer"},
        "detail": {"type": "string"},
    },
}  # fmt: skip


def _get(summary: str, schema: str, *parameters: dict[str, Any], kind: str = "application/json") -> dict[str, Any]:
    problem = {"content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/problem"}}}}
    constant = {"type": "object", "properties": {"schema": {"const": schema}}} if "/" in schema else {"type": "object"}
    return {
        "get": {
            "summary": summary,
            "parameters": list(parameters),
            "responses": {
                "200": {"description": schema, "content": {kind: {"schema": constant}}},
                "401": {"description": "no token, or a wrong one", **problem},
                "404": {"description": "no such machine or ticket", **problem},
            },
        }
    }
