"""How the service does, as a document: well, or what is amiss in the words of RFC 9457. Pure."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Any

from farmwatch.service.status import Facts, Problem
from farmwatch.times import rfc3339

__all__ = ["OK", "PROBLEM_TYPE", "UNAVAILABLE", "health_document", "problems"]

OK, UNAVAILABLE = 200, 503
JSON, PROBLEM_TYPE = "application/json", "application/problem+json"
# A round of polls ends within seconds as a rule, and with every host at its longest deadline within minutes.
_ROUND_WITHIN = timedelta(minutes=5)


def problems(facts: Facts, now: datetime) -> list[Problem]:
    """What is amiss at `now`, in the order in which it came up."""
    found = list(facts.problems)
    last = facts.round_ended_at or facts.started_at
    if now - last > _ROUND_WITHIN:
        minutes = (now - last).total_seconds() / 60
        found.append(Problem(what="polls", words=f"no round of polls has ended for {minutes:.0f} minutes", since=last))
    return found


def health_document(facts: Facts, now: datetime) -> tuple[int, str, bytes]:
    """Status, media type and body of `/health`."""
    report_problem = problems(facts, now)
    body: dict[str, Any]
    if not report_problem:
        body = {
            "well": True,
            "since": rfc3339(facts.started_at),
            "polls": sum(facts.polls.values()),
            "newest_reading_at": rfc3339(facts.newest_reading_at),
            "reported_at": rfc3339(facts.reported_at),
            "next_report_at": rfc3339(facts.next_report_at),
        }
        return OK, JSON, _json(body)
    body = {
        # RFC 9457, 4.2.1: what it is stands in the members, and the title is that of the status.
        "type": "about:blank",
        "title": "Service Unavailable",
        "status": UNAVAILABLE,
        "detail": "; ".join(one.words for one in report_problem),
        "instance": "/health",
        "reasons": [{"what": one.what, "words": one.words, "since": rfc3339(one.since)} for one in report_problem],
    }
    return UNAVAILABLE, PROBLEM_TYPE, _json(body)


def _json(body: dict[str, Any]) -> bytes:
    return json.dumps(body, ensure_ascii=True, separators=(",", ":")).encode("ascii") + b"\n"
