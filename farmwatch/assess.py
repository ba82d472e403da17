"""Assess: the settings, the store, following and judging put together into what is said of the fleet at one time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

from farmwatch.config import Farm, Machine, Settings
from farmwatch.eligibility import unit_doubt
from farmwatch.findings import MACHINES_A_BLOCK, Finding, Lender, belief_of, find, find_anew
from farmwatch.judge import Assessment, FleetAssessment, HostFacts, with_host
from farmwatch.judge.learned import other_drive_sentence, step_differences
from farmwatch.outcomes import OUTCOMES
from farmwatch.sources import Known, Source, StoreSource
from farmwatch.store import Store
from farmwatch.store.records import LastAnswer

__all__ = ["MACHINES_A_BLOCK", "assess", "host_facts", "working_time"]


def assess(
    settings: Settings,
    of: Store | Source,
    at: datetime,
    names: Sequence[str] | None = None,
    *,
    following: bool = True,
    jobs: int = 1,
) -> FleetAssessment:
    """What is said of the farm at `at` (aware): only what was read, noted and answered at or before it counts.

    of: the farm's store, or another source of what is known of it. names: the machines wanted, None for all, in the
    order of the configuration. following: whether the histories are followed; without, drift, steps and forecast are
    null and so is all advice that stands on them, and it takes half the time: enough where only range and condition
    are asked for. jobs: how many processes share what is to be found anew. What was found before and stands still is
    taken from beside the store: the document is the same to the byte. Raises InputError for a name that is not in the
    configuration and StoreError where the database cannot be read.
    """
    wanted = settings.machines if names is None else _in_order(settings, names)
    if isinstance(of, Store):
        of = StoreSource(settings, of)
        findings, known = find(of, at, wanted, following=following, jobs=jobs)
    else:
        known = of.known([machine.name for machine in wanted], at)
        lender = Lender(settings, of, at)
        findings = find_anew(settings, known, at, wanted, lender, following=following)
    twins = _twins(settings, of.newest_digests(at))
    done = [
        _whole(settings, machine, finding, known, at, twins.get(machine.name, ()))
        for machine, finding in zip(wanted, findings, strict=True)
    ]
    return FleetAssessment(at=at, limits=settings.limits, machines=tuple(done))


def _whole(
    settings: Settings, machine: Machine, finding: Finding, known: Known, at: datetime, twins: Sequence[str]
) -> Assessment:
    """What was found of a machine with the days of its forecast at `at`, its host, its namesakes and its ticket."""
    name, said = machine.name, finding.said
    warnings = [*step_differences(belief_of(settings, machine, known)), *_of_another_drive(settings, known, machine)]
    if twins:
        others = ", ".join(twins)
        warnings.append(f"The same mesh, to the last digit, came from {others}: two names for one address?")
    if said.reading is not None and said.reading.time_from == "unknown":
        warnings.append("Its host gives no times: how old this mesh was when it was first seen is not known.")
    doubt = "" if said.condition_range_mm is None else unit_doubt(said.condition_range_mm)
    if doubt and machine.address is not None:
        warnings.append(f"{doubt[0].upper()}{doubt[1:]}.")
    forecast = said.forecast
    if forecast is not None and finding.crossings is not None:
        forecast = finding.crossings.forecast(at)
    host = _host_facts(settings, machine, known.answers.get(name), known.first_tries.get(name))
    one = replace(
        with_host(said, host),
        aisle=machine.aisle,
        warnings=tuple(warnings),
        twins=tuple(twins),
        forecast=forecast,
        ticket=known.tickets.get(name),
    )
    if not one.awaits_mesh:
        return one
    # Work that no mesh has seen yet leaves nothing to order: a second turn would undo it.
    why = "Mesh again, hot: what is known of it is from before the work."
    return replace(one, plan=None, advice=("re-mesh",) if one.in_service else (), reasons=(why,))


def host_facts(settings: Settings, store: Store, at: datetime) -> dict[str, HostFacts]:
    """What is known of every machine's host at `at` (aware), as `assess` says it. Raises StoreError."""
    answers = store.last_answers(at)
    first_tries = StoreSource(settings, store).first_tries(at, answers)
    return {
        machine.name: _host_facts(settings, machine, answers.get(machine.name), first_tries.get(machine.name))
        for machine in settings.machines
    }


def working_time(farm: Farm, since: datetime, until: datetime) -> timedelta:
    """How much of the time from `since` to `until` (aware) was working time; all of it where the farm says nothing."""
    if until <= since:
        return timedelta(0)
    if farm.working is None:
        return until - since
    return sum(
        (max(min(end, until) - max(start, since), timedelta(0)) for start, end in _shifts(farm, since, until)),
        timedelta(0),
    )


def _in_order(settings: Settings, names: Sequence[str]) -> tuple[Machine, ...]:
    asked = set(names)
    for name in sorted(asked - {machine.name for machine in settings.machines}):
        settings.machine(name)
    return tuple(machine for machine in settings.machines if machine.name in asked)


def _of_another_drive(settings: Settings, known: Known, machine: Machine) -> tuple[str, ...]:
    """That work on record was done with other screws or another drive than the machine's model has now."""
    model = settings.models[machine.model]
    said = other_drive_sentence(sum(not move.counts_for(model) for move in known.moves.get(machine.name, ())))
    return (said,) if said else ()


def _host_facts(
    settings: Settings, machine: Machine, answer: LastAnswer | None, first_try: datetime | None
) -> HostFacts:
    if machine.address is None or answer is None:
        return HostFacts(has_host=machine.address is not None)
    silent = _too_long(settings, answer.answered_at or first_try, answer.polled_at)
    # While nobody asks, nobody is silent: time counts to the last try.
    puzzling = not silent and not OUTCOMES[answer.outcome].understood
    return HostFacts(
        answered_at=answer.answered_at,
        silent=silent,
        not_understood=puzzling and _too_long(settings, answer.understood_at or first_try, answer.polled_at),
        outcome=answer.outcome,
        reason=answer.reason,
    )


def _too_long(settings: Settings, since: datetime | None, until: datetime) -> bool:
    """Whether more working time lies between the two than a host may be silent for."""
    waited = timedelta(0) if since is None else working_time(settings.farm, since, until)
    return waited > timedelta(hours=settings.limits.silent_after_hours)


def _shifts(farm: Farm, since: datetime, until: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Working hours of each working day from `since` to `until`, as moments in UTC."""
    working = farm.working
    if working is None:
        return
    day = since.astimezone(farm.timezone).date() - timedelta(days=1)
    last = until.astimezone(farm.timezone).date()
    while day <= last:
        if day.weekday() in working.weekdays and day not in farm.closed:
            midnight = datetime.combine(day, time(), farm.timezone)
            # Wall-clock arithmetic within one zone: 18:00 is 18:00 on the day the clocks change, too.
            start = midnight + timedelta(minutes=working.start_minute)
            end = midnight + timedelta(minutes=working.end_minute)
            if end <= start:
                end += timedelta(days=1)
            yield start.astimezone(UTC), end.astimezone(UTC)
        day += timedelta(days=1)


def _twins(settings: Settings, digests: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Machines of the farm whose newest meshes are the same to the last bit, each with its others."""
    alike: dict[str, list[str]] = defaultdict(list)
    for machine in settings.machines:
        if machine.name in digests:
            alike[digests[machine.name]].append(machine.name)
    return {name: tuple(other for other in some if other != name) for some in alike.values() for name in some}
