"""The health document: well, or RFC 9457 problem details."""

import json
from datetime import UTC, datetime, timedelta

from farmwatch.service.published import health_document, problems
from farmwatch.service.status import Facts, Problem, ServiceStatus

NOW = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)


def test_well() -> None:
    status, kind, body = health_document(Facts(started_at=NOW, round_ended_at=NOW), NOW)
    assert (status, kind) == (200, "application/json")
    assert json.loads(body)["well"] is True


def test_unwell_is_a_problem_document_with_every_reason() -> None:
    problems = (
        Problem(what="database", words="no room", since=NOW),
        Problem(what="week", words="the report failed", since=NOW - timedelta(hours=1)),
    )
    status, kind, body = health_document(Facts(started_at=NOW, round_ended_at=NOW, problems=problems), NOW)
    found = json.loads(body)
    assert (status, kind) == (503, "application/problem+json")
    # RFC 9457, 3.1: type and instance are URI references, status repeats HTTP's, title and detail are text.
    assert found["type"] == "about:blank"
    assert found["title"] == "Service Unavailable"
    assert found["status"] == 503
    assert found["instance"] == "/health"
    assert "no room" in found["detail"]
    assert [reason["what"] for reason in found["reasons"]] == ["database", "week"]
    assert found["reasons"][1]["since"] == "2026-11-23T05:00:00Z"


def test_polls_that_stand_still_are_amiss() -> None:
    facts = Facts(
        started_at=NOW - timedelta(hours=1), round_ended_at=NOW - timedelta(minutes=20), since_round_seconds=1200
    )
    [found] = problems(facts, NOW)
    assert found.what == "polls"
    assert "20 minutes" in found.words
    assert not problems(Facts(started_at=NOW), NOW)


def test_the_ledger_keeps_since_when_something_is_amiss() -> None:
    status = ServiceStatus(NOW)
    assert status.report_problem("database", "full", NOW)
    assert not status.report_problem("database", "full", NOW + timedelta(minutes=1))
    assert status.report_problem("database", "read-only", NOW + timedelta(minutes=2))
    [found] = status.facts.problems
    assert (found.words, found.since) == ("read-only", NOW)
    assert status.clear_problem("database")
    assert not status.clear_problem("database")
    status.count("new")
    status.count("new")
    status.add_late(3)
    assert (status.facts.polls["new"], status.facts.late, status.facts.polls["same"]) == (2, 3, 0)
