"""Play the invented farm: months of polls over real HTTP with a moved clock, then the week's report.

The history is tied to the last Monday 06:00, farm time, before `now` ("the end"): the report is the one written then,
and two runs in the same week give the same report. The polls go on from there to `now`, so that what the other
commands show is fresh.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from farmwatch.assess import assess
from farmwatch.collect import fetcher_for, poll_once
from farmwatch.config import Settings, load_settings
from farmwatch.demo.beds import bed_series
from farmwatch.demo.cases import farm_truth
from farmwatch.demo.farm import FARM_TIMEZONE
from farmwatch.demo.hosts import SimulatedHosts
from farmwatch.demo.living import LivingFarm
from farmwatch.demo.paper import Serving, clear_folder, write_configuration
from farmwatch.demo.people import entries
from farmwatch.demo.truth import Group, MachineTruth
from farmwatch.demo.weekly import WeeklyStore
from farmwatch.errors import InputError
from farmwatch.foresight import keep_forecasts
from farmwatch.report import Week, week_just_ended, write_report
from farmwatch.store import Store
from farmwatch.tickets import update_tickets

__all__ = ["FEWEST_WEEKS", "DemoResult", "RoundProgress", "last_monday", "living_demo", "run_demo"]

RoundProgress = Callable[[int, int], None]
"""Called with the rounds of polls done and the rounds in all."""

# What is true of the farm happened in the last three weeks or is older than any history; one bed has no newer mesh.
FEWEST_WEEKS = 4
MOST_WEEKS = 520
MOST_MACHINES = 2_000
# One round of polls a day, late in the evening: it sees every mesh of the day, and the last of a week all of that week.
EVENING_BEFORE_END = timedelta(hours=6, minutes=15)
POLL_BEFORE_END = timedelta(minutes=15)
# The farm has kept tickets for four weeks: its book is stepped on Sunday evenings, and on the last Thursday.
BOOK_DAYS_BEFORE = (21, 14, 7, 3, 0)
EDITIONS = 4


@dataclass(frozen=True, slots=True)
class DemoResult:
    """What a demo leaves behind."""

    report: Path
    config: Path
    commands: tuple[str, str, str]
    """To try next, as typed."""
    truths: tuple[str, str, str]
    """What is true in this farm, in three sentences."""
    machines: int
    polls: int
    readings: int


def run_demo(
    folder: Path,
    weeks: int = 26,
    machines: int = 27,
    seed: int = 1,
    *,
    now: datetime,
    progress: RoundProgress | None = None,
) -> DemoResult:
    """Build the farm in `folder`, play `weeks` of it up to `now` (aware), and write the report of the last full week.

    An earlier demo in `folder` is replaced. Raises InputError for a folder that holds anything else, or for numbers
    that make no farm.
    """
    with living_demo(folder, weeks, machines, seed, now=now, progress=progress) as (result, _):
        return result


@contextmanager
def living_demo(
    folder: Path,
    weeks: int = 26,
    machines: int = 27,
    seed: int = 1,
    *,
    now: datetime,
    progress: RoundProgress | None = None,
    serving: Serving | None = None,
) -> Iterator[tuple[DemoResult, LivingFarm]]:
    """As `run_demo`, and the farm's hosts answer as long as the context lasts.

    With `serving` its configuration is that of a service that looks after such a farm.
    """
    _check_numbers(weeks, machines, seed)
    folder = folder.expanduser().resolve()
    clear_folder(folder)
    end = last_monday(now)
    farm = farm_truth(machines)
    beds = {machine.name: bed_series(machine, end, weeks, seed) for machine in farm}
    rounds = _rounds(end, weeks, now)
    with SimulatedHosts(farm, beds, rounds[0], end) as hosts:
        facts = {"weeks": weeks, "machines": machines, "seed": seed, "end": end.astimezone(UTC).isoformat()}
        config = write_configuration(folder, farm, hosts.addresses, facts, serving)
        settings = load_settings(config)
        store = Store(settings.farm.database)
        polls, readings = _play(settings, store, hosts, farm, rounds, end, progress)
        result = DemoResult(
            report=_write_editions(settings, store, end),
            config=config,
            commands=_commands(config, farm),
            truths=_truths(farm),
            machines=len(farm),
            polls=polls,
            readings=readings,
        )
        yield result, LivingFarm(settings, store, hosts, farm, rounds[-1], seed)


def last_monday(now: datetime) -> datetime:
    """The last Monday 06:00, farm time, at or before `now` (aware); UTC."""
    local = now.astimezone(ZoneInfo(FARM_TIMEZONE))
    monday = (local - timedelta(days=local.weekday())).replace(hour=6, minute=0, second=0, microsecond=0)
    if monday > local:
        monday -= timedelta(days=7)
    return monday.astimezone(UTC)


def _check_numbers(weeks: int, machines: int, seed: int) -> None:
    if not FEWEST_WEEKS <= weeks <= MOST_WEEKS:
        raise InputError(f"--weeks must be {FEWEST_WEEKS} to {MOST_WEEKS}; got {weeks}")
    if not 1 <= machines <= MOST_MACHINES:
        raise InputError(f"--machines must be 1 to {MOST_MACHINES}; got {machines}")
    if seed < 0:
        raise InputError(f"--seed must be 0 or more; got {seed}")


def _rounds(end: datetime, weeks: int, now: datetime) -> list[datetime]:
    """When the farm is polled, ascending: every evening, once more before the end, and on to `now`."""
    evening = end - EVENING_BEFORE_END
    rounds = [evening - timedelta(days=day) for day in range(weeks * 7 - 1, -1, -1)]
    rounds.append(end - POLL_BEFORE_END)
    later = evening + timedelta(days=1)
    while later < now:
        rounds.append(later)
        later += timedelta(days=1)
    latest = now.astimezone(UTC).replace(microsecond=0)
    return [*rounds, latest] if latest > end else rounds


def _play(
    settings: Settings,
    store: Store,
    hosts: SimulatedHosts,
    farm: tuple[MachineTruth, ...],
    rounds: list[datetime],
    end: datetime,
    progress: RoundProgress | None,
) -> tuple[int, int]:
    """Poll every round as of its moment, enter what people did when they did it, step the book of tickets.

    Returns polls and readings.
    """
    waiting = entries(farm, end)
    looks = {end - EVENING_BEFORE_END - timedelta(days=days) for days in BOOK_DAYS_BEFORE}
    polls = readings = 0
    memory = WeeklyStore(store)
    with fetcher_for(settings) as fetcher:
        for done, moment in enumerate(rounds):
            while waiting and waiting[0][0] <= moment:
                waiting.pop(0)[1](store)
            hosts.move_clock(moment)
            found = poll_once(settings, memory, moment, fetcher=fetcher, clock=partial(_same, moment))
            polls += len(found.records)
            readings += found.new_readings
            if moment in looks:
                memory.flush()
                _look(settings, store, moment)
            if progress is not None:
                progress(done + 1, len(rounds))
    memory.flush()
    return polls, readings


def _look(settings: Settings, store: Store, moment: datetime) -> None:
    """What the service does of a night: the book of tickets, and the week's forecasts, to be held to them later."""
    fleet = assess(settings, store, moment)
    update_tickets(settings, store, fleet)
    keep_forecasts(store, fleet, str(Week.holding(moment.astimezone(settings.farm.timezone).date())))


def _write_editions(settings: Settings, store: Store, end: datetime) -> Path:
    """The reports of the weeks since the farm keeps tickets, each as it was written then, the newest last."""
    weeks = [week_just_ended(end, settings.farm.timezone)]
    while len(weeks) < EDITIONS:
        weeks.insert(0, weeks[0].previous())
    return [write_report(settings, store, at=end, week=week) for week in weeks][-1]


def _same(moment: datetime) -> datetime:
    return moment


def _commands(config: Path, farm: tuple[MachineTruth, ...]) -> tuple[str, str, str]:
    given = f"farmwatch --config {shlex.quote(str(config))}"
    return (f"{given} fleet", f"{given} machine {farm[0].name}", f"{given} ticket list")


def _truths(farm: tuple[MachineTruth, ...]) -> tuple[str, str, str]:
    """In three sentences: what needs hands, what is not what it seems, and what is coming or out of sight."""

    def listed(group: Group) -> str:
        return ", ".join(f"{m.name} ({m.short})" for m in farm if m.group == group) or "no machine"

    well = sum(machine.group == "well" for machine in farm)
    return (
        f"Needs hands: {listed('hands')}.",
        f"Not what it seems: {listed('seems')}.",
        f"Coming, or out of sight: {listed('ahead')}. Nothing wrong: {well or 'no'} other{'s' if well > 1 else ''}.",
    )
