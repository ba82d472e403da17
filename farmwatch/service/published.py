"""What the service publishes of its state: /health (RFC 9457 where unwell) and /metrics (OpenMetrics 1.0). Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import Any, get_args

from farmwatch.judge.assessment import Condition
from farmwatch.service.status import Facts, Problem
from farmwatch.store.records import StoreKind
from farmwatch.times import rfc3339

__all__ = ["CONTENT_TYPE", "OK", "PROBLEM_TYPE", "UNAVAILABLE", "figures_text", "health_document", "problems"]

OK, UNAVAILABLE = 200, 503
JSON, PROBLEM_TYPE = "application/json", "application/problem+json"
# A round of polls ends within seconds as a rule, and with every host at its longest deadline within minutes.
_ROUND_WITHIN = timedelta(minutes=5)


def problems(facts: Facts, now: datetime) -> list[Problem]:
    """What is amiss at `now`, in the order in which it came up."""
    found = list(facts.problems)
    still = timedelta(seconds=facts.since_round_seconds)
    if still > _ROUND_WITHIN:
        minutes = still / timedelta(minutes=1)
        words = f"no round of polls has ended for {minutes:.0f} minutes"
        found.append(Problem(what="polls", words=words, since=now - still))
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


CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

_Sample = tuple[Mapping[str, str], float]


def figures_text(facts: Facts, now: datetime) -> bytes:
    """All of them; one that is not known is left out."""
    lines = [*_polls(facts), *_readings(facts, now), *_farm(facts), *_machines(facts, now), *_service(facts)]
    return ("\n".join([*lines, "# EOF"]) + "\n").encode("utf-8")


def _polls(facts: Facts) -> Iterator[str]:
    yield from _counter(
        "farmwatch_polls", "Tries at single machines by outcome.", [({"outcome": o}, n) for o, n in facts.polls.items()]
    )
    yield from _counter("farmwatch_late_polls", "Tries that began later than was meant.", [({}, facts.late)])
    yield from _gauge("farmwatch_failing_machines", "Machines whose last try failed.", [({}, facts.failing)])
    yield from _moment("farmwatch_round_time", "When the last round of polls ended.", facts.round_ended_at)


def _readings(facts: Facts, now: datetime) -> Iterator[str]:
    store = facts.store
    yield from _gauge(
        "farmwatch_pending_readings", "Readings that wait beside the database to be stored.", [({}, store.pending)]
    )
    yield from _gauge("farmwatch_lost_readings", "Readings that could not be kept since the start.", [({}, store.lost)])
    name = "farmwatch_database"
    yield from _family(name, "stateset", "How the database does.")
    for kind in get_args(StoreKind):
        yield _sample(name, {name: kind}, float(kind == store.kind))
    if facts.newest_reading_at is not None:
        age = (now - facts.newest_reading_at).total_seconds()
        yield from _gauge("farmwatch_newest_reading_age_seconds", "Age of the newest reading.", [({}, age)], "seconds")


def _farm(facts: Facts) -> Iterator[str]:
    if facts.conditions:
        yield from _gauge(
            "farmwatch_machines",
            "Machines in service by condition, as last assessed.",
            [({"condition": c}, n) for c, n in facts.conditions.items()],
        )
    yield from _moment("farmwatch_assessment_time", "When the farm was last assessed.", facts.assessed_at)
    yield from _moment("farmwatch_last_report_time", "When the last weekly report was written.", facts.reported_at)
    yield from _moment("farmwatch_next_report_time", "When the next weekly report is due.", facts.next_report_at)


def _machines(facts: Facts, now: datetime) -> Iterator[str]:
    """A few figures a machine in service; lengths in metres, since OpenMetrics asks for base units."""
    if not facts.machines:
        return
    ranges = [({"machine": one.name}, one.range_mm / 1000) for one in facts.machines if one.range_mm is not None]
    ages = [({"machine": one.name}, now.timestamp() - one.taken_at) for one in facts.machines if one.taken_at]
    words = "Highest minus lowest height of the mesh that the condition rests on."
    yield from _gauge("farmwatch_bed_range_meters", words, ranges, "meters")
    yield from _gauge("farmwatch_bed_mesh_age_seconds", "Age of that mesh.", ages, "seconds")
    name = "farmwatch_bed_condition"
    yield from _family(name, "stateset", "In which condition the machine is, as last assessed.")
    for one in facts.machines:
        for condition in get_args(Condition):
            yield _sample(name, {"machine": one.name, name: condition}, float(condition == one.condition))


def _service(facts: Facts) -> Iterator[str]:
    yield from _gauge("farmwatch_waiting_letters", "Letters that wait to be delivered.", [({}, facts.letters)])
    yield from _gauge(
        "farmwatch_troubles", "Things that are amiss, as /health names them.", [({}, len(facts.problems))]
    )
    yield from _moment("farmwatch_backup_time", "When the last backup was made.", facts.backed_up_at)
    yield from _moment("farmwatch_start_time", "When the service started.", facts.started_at)
    yield from _family("farmwatch_release", "info", "Which farmwatch this is.")
    yield _sample("farmwatch_release_info", {"version": version("farmwatch")}, 1)


def _counter(name: str, help_text: str, samples: Iterable[_Sample]) -> Iterator[str]:
    yield from _family(name, "counter", help_text)
    for labels, value in samples:
        yield _sample(f"{name}_total", labels, value)


def _gauge(name: str, help_text: str, samples: Iterable[_Sample], unit: str = "") -> Iterator[str]:
    yield from _family(name, "gauge", help_text, unit)
    for labels, value in samples:
        yield _sample(name, labels, value)


def _moment(name: str, help_text: str, moment: datetime | None) -> Iterator[str]:
    if moment is not None:
        yield from _gauge(f"{name}_seconds", f"{help_text} Seconds since 1970.", [({}, moment.timestamp())], "seconds")


def _family(name: str, kind: str, help_text: str, unit: str = "") -> Iterator[str]:
    yield f"# TYPE {name} {kind}"
    if unit:
        yield f"# UNIT {name} {unit}"
    yield f"# HELP {name} {_escaped(help_text)}"


def _sample(name: str, labels: Mapping[str, str], value: float) -> str:
    inside = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
    return f"{name}{{{inside}}} {_number(value)}" if inside else f"{name} {_number(value)}"


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
