"""The farm now: what needs something first, the sound machines folded into a count that opens."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import Response, redirect, request, url_for

from farmwatch.judge import Assessment
from farmwatch.pages import words
from farmwatch.pages.app import reader
from farmwatch.pages.look import page
from farmwatch.pages.read import Snapshot
from farmwatch.tickets import Ticket

__all__ = ["Row", "fleet", "is_in_need"]

ROWS = 60
"""Rows on one page; more stand on the next."""
SOUND_NAMED = 150
LONGEST_SEARCH = 80
SORTS = {"need": "what it needs", "range": "range", "name": "name", "age": "oldest mesh"}
_RANK = {"past-limit": 0, "usable": 1, "ideal": 2, "unknown": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One machine in the list."""

    of: Assessment
    order: words.Order
    verb: str
    minutes: str
    owner: str
    state: str
    ticket: int | None
    host: str
    """What is wrong with its host; empty where nothing is."""

    @property
    def name(self) -> str:
        """The machine's name."""
        return self.of.machine

    @property
    def mark(self) -> str:
        """Which shape stands for its condition."""
        return self.of.condition if self.of.in_service else "out"


def fleet() -> Response:
    """Search, aisles, the machines that need something, and a count of the sound ones."""
    found = reader().snapshot()
    if found.fleet is None or found.groups is None:
        return page("first.html", found=found)
    asked = _Asked.read()
    here = [m for m in found.fleet.machines if asked.holds(m)]
    if asked.q:
        hit = _one_meant(here, asked.q)
        if hit is not None:
            return _see_other(url_for("machine", name=hit.machine))
    rows = [_row(m, found, found.groups.accepted) for m in here]
    needing = [row for row in rows if _needs(row)]
    shown = rows if asked.q or asked.show == "all" else needing
    shown = sorted(shown, key=lambda row: _sort_key(row, asked.sort))
    start = (asked.part - 1) * ROWS
    sound = [row for row in rows if not _needs(row)]
    stale = words.stale(found.judged_at, found.at)
    return page(
        "fleet.html",
        # Ages are told where they are alarming, and grow by the minute.
        f"{found.key} {found.at:%H%M}" if stale or found.fault else found.key,
        found=found,
        asked=asked,
        rows=shown[start : start + ROWS],
        more=max(0, len(shown) - start - ROWS),
        shown=len(shown),
        needing=len(needing),
        sound=[row.name for row in sound] if len(sound) <= SOUND_NAMED else [],
        sound_count=len(sound),
        sound_aisles=Counter(row.of.aisle for row in sound),
        aisles=_aisles(found),
        counts=Counter("out" if not row.of.in_service else row.of.condition for row in rows),
        sorts=SORTS,
        stale=stale,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What the address asks for; whatever it does not know counts as not said."""

    q: str = ""
    aisle: str | None = None
    show: str = ""
    sort: str = "need"
    part: int = 1

    @classmethod
    def read(cls) -> _Asked:
        given = request.args
        part = given.get("part", "1")
        sort = given.get("sort", "need")
        return cls(
            q=given.get("q", "").strip()[:LONGEST_SEARCH],
            aisle=given.get("aisle"),
            show="all" if given.get("show") == "all" else "",
            sort=sort if sort in SORTS else "need",
            part=min(int(part), 1000) if part.isascii() and part.isdecimal() and len(part) < 5 and int(part) else 1,
        )

    def holds(self, machine: Assessment) -> bool:
        """Whether a machine is one of those asked for."""
        q = self.q.casefold()
        return (self.aisle is None or machine.aisle == self.aisle) and (
            not q or q in machine.machine.casefold() or q in machine.aisle.casefold()
        )

    def address(self, **changes: object) -> str:
        """The address of the same list with something changed; None leaves a part out."""
        values: dict[str, object] = {
            "q": self.q or None,
            "aisle": self.aisle,
            "show": self.show or None,
            "sort": None if self.sort == "need" else self.sort,
            **changes,
        }
        said = {name: str(value) for name, value in values.items() if value is not None}
        return f"{url_for('fleet')}?{urlencode(said)}" if said else url_for("fleet")


def _see_other(address: str) -> Response:
    answer = redirect(address, 303)
    assert isinstance(answer, Response)
    return answer


def _one_meant(machines: Sequence[Assessment], q: str) -> Assessment | None:
    """The only machine of a search, or the one whose name it is."""
    exact = [m for m in machines if m.machine.casefold() == q.casefold()]
    return exact[0] if len(exact) == 1 else machines[0] if len(machines) == 1 else None


def _row(machine: Assessment, found: Snapshot, accepted: Mapping[str, Ticket]) -> Row:
    ticket, by = machine.ticket, accepted.get(machine.machine)
    state = "" if ticket is None else _state(ticket.phase)
    return Row(
        of=machine,
        order=words.order(machine, by),
        verb=words.verb(machine, by),
        minutes=words.minutes(found.hours.get(machine.machine, 0.0)),
        owner="" if ticket is None else ticket.owner,
        state="accepted as it is" if by is not None and ticket is None else state,
        ticket=ticket.number if ticket is not None else None if by is None else by.number,
        host=_host(machine),
    )


def _state(phase: str) -> str:
    return next((said for name, said in words.PHASE_WORDS.items() if name == phase), phase)


def _host(machine: Assessment) -> str:
    if not machine.in_service or not machine.has_host:
        return ""
    return "host silent" if machine.silent else "host not understood" if machine.not_understood else ""


def is_in_need(machine: Assessment, found: Snapshot, accepted: Mapping[str, Ticket]) -> bool:
    """Whether something is to be done about a machine, its host or its ticket."""
    return _needs(_row(machine, found, accepted))


def _needs(row: Row) -> bool:
    return bool(row.verb or row.host or (row.of.ticket is not None and row.of.in_service))


def _sort_key(row: Row, sort: str) -> tuple[object, ...]:
    of = row.of
    worst = -(of.condition_range_mm or 0.0)
    if sort == "name":
        return (row.name,)
    if sort == "range":
        return (of.condition_range_mm is None, worst, row.name)
    if sort == "age":
        return (of.reading is not None, of.reading.taken_at.timestamp() if of.reading else 0.0, row.name)
    return (not of.in_service, not row.verb, _RANK[of.condition], of.at_tooth_floor, worst, row.name)


def _aisles(found: Snapshot) -> list[str]:
    return list(dict.fromkeys(machine.aisle for machine in found.settings.machines if machine.aisle))
