"""set-aside and put-back-in: readings, notes and moves that count for nothing, and count again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.note import plain_line
from farmwatch.cli.screen import echo, paragraph, table
from farmwatch.errors import InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.store.records import AsideKind, Entry

__all__ = ["COMMANDS", "show_set_aside"]

_ONE: dict[AsideKind, str] = {"readings": "reading", "notes": "note", "moves": "move"}
_HEADING: dict[AsideKind, str] = {"readings": "range", "notes": "note", "moves": "move"}
_SHOWN = 12
_EVER = (datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))


def _choosing(command: Callable[..., None]) -> Callable[..., None]:
    """The options by which entries are chosen."""
    for option in reversed(
        (
            click.option("--at", metavar="TIME", help="The one of this time; farm time without an offset."),
            click.option("--since", metavar="TIME", help="Those from this time on."),
            click.option("--until", metavar="TIME", help="Those up to this time."),
            click.option("--notes", "kind", flag_value="notes", help="Notes, in place of readings."),
            click.option("--moves", "kind", flag_value="moves", help="Moves of realignments, in place of readings."),
            click.option("--by", default="", metavar="WHO", help="Who says so."),
        )
    ):
        command = option(command)
    return command


@click.command("set-aside", short_help="Let a reading, a note or a move count for nothing.")
@click.argument("name")
@_choosing
@click.option("--why", default="", metavar="TEXT", help="Why; it stays with what is set aside.")
@pass_app
def set_aside(app: App, /, name: str, why: str, **chosen: Any) -> None:
    """Set readings of machine NAME aside: no longer judged, learned from, proven by or drawn.

    They are kept and marked, and `farmwatch put-back-in` undoes it. Without a time it lists what there is to choose
    from. A time without seconds means the whole minute.
    """
    machine = app.settings.machine(name).name
    kind, span = _kind(chosen), _span(app, chosen)
    if span is None:
        _show(app, kind, machine, _entries(app, kind, machine), "set-aside")
        return
    if not why.strip():
        raise InputError("--why is missing: say why, it stays with what is set aside")
    plain_line(why, "--why")
    done = _change(app, kind, machine, span, chosen["by"], why=why)
    echo(f"set aside: {_counted(kind, done)} of {sanitize(machine)}")
    if kind == "readings":
        _show_proven(app, machine, span)
    paragraph(f"to undo it: farmwatch put-back-in {sanitize(machine)}{_option(kind)} {_as_typed(chosen)}", hang=2)


@click.command("put-back-in", short_help="Let what was set aside count again.")
@click.argument("name")
@_choosing
@click.option("--all", "all_of_it", is_flag=True, help="All that is set aside.")
@pass_app
def put_back_in(app: App, /, name: str, all_of_it: bool, **chosen: Any) -> None:
    """Let readings of machine NAME that were set aside count again.

    Without a time it lists what is set aside. A time without seconds means the whole minute.
    """
    machine = app.settings.machine(name).name
    kind, span = _kind(chosen), _span(app, chosen)
    if all_of_it and span is not None:
        raise InputError("--all goes without a time")
    if span is None and not all_of_it:
        aside = [one for one in _entries(app, kind, machine) if one.why is not None]
        _show(app, kind, machine, aside, "put-back-in")
        return
    done = _change(app, kind, machine, span or _EVER, chosen["by"])
    echo(f"put back in: {_counted(kind, done)} of {sanitize(machine)}")


def show_set_aside(app: App, machine: str) -> None:
    """Say what of a machine is set aside, and where it is listed."""
    from farmwatch.text import clock, joined

    if not app.settings.farm.database.exists():
        return
    found = {kind: [one for one in _entries(app, kind, machine) if one.why is not None] for kind in _ONE}
    some = {kind: aside for kind, aside in found.items() if aside}
    if not some:
        return
    newest = max((one for aside in some.values() for one in aside), key=lambda one: one.at)
    lists = joined([f"farmwatch put-back-in {sanitize(machine)}{_option(kind)}" for kind in some])
    what = joined([_counted(kind, len(aside)) for kind, aside in some.items()])
    when = clock(newest.at, app.settings.farm.timezone)
    who = f", {sanitize(newest.by)}" if newest.by else ""
    paragraph(f"set aside: {what}, the newest of {when} ({sanitize(newest.why)}{who}); {lists}", hang=2)


def _show_proven(app: App, machine: str, span: tuple[datetime, datetime]) -> None:
    """Name the tickets that were proven by probings of a span: what proved them counts no longer."""
    from farmwatch.tickets import TicketRepository

    for ticket in TicketRepository(app.store).tickets([machine]):
        work, closed = ticket.work_until, ticket.closed_at
        if ticket.phase == "proven" and work and closed and work < span[1] and span[0] <= closed:
            paragraph(
                f"ticket {ticket.number} was proven by probings of that time; where they were among them: "
                f"farmwatch ticket reopen {ticket.number} --why TEXT",
                hang=2,
            )


def _kind(chosen: dict[str, Any]) -> AsideKind:
    kind: AsideKind = chosen["kind"] or "readings"
    return kind


def _option(kind: AsideKind) -> str:
    return "" if kind == "readings" else f" --{kind}"


def _span(app: App, chosen: dict[str, Any]) -> tuple[datetime, datetime] | None:
    """The times chosen, both ends within; None where none is given."""
    at, since, until = chosen["at"], chosen["since"], chosen["until"]
    if at is not None and (since is not None or until is not None):
        raise InputError("--at names one time; leave --since and --until out with it")
    if at is None and since is None and until is None:
        return None
    start = _EVER[0] if (since or at) is None else app.moment(since or at)
    end = _EVER[1] if (until or at) is None else _end(app.moment(until or at))
    if end < start:
        raise InputError(f"--until {until} is before --since {since}")
    return start, end


def _end(moment: datetime) -> datetime:
    """The last moment that a typed time means: screens show minutes, the database knows millionths."""
    whole = timedelta(seconds=1) if moment.second or moment.microsecond else timedelta(minutes=1)
    return moment if moment.microsecond else moment + whole - timedelta(microseconds=1)


def _entries(app: App, kind: AsideKind, machine: str) -> list[Entry]:
    return app.store.entries(kind, machine) if app.settings.farm.database.exists() else []


def _change(
    app: App, kind: AsideKind, machine: str, span: tuple[datetime, datetime], by: str, why: str | None = None
) -> int:
    """Change the marks of a span; raises InputError where that changes nothing, with what stands near."""
    from farmwatch.store import refuse_foreign

    refuse_foreign(app.settings.farm.database)
    by = plain_line(by, "--by")
    if why is None:
        done = app.store.put_back_in(kind, machine, span, by=by, at=app.now())
    else:
        done = app.store.set_aside(kind, machine, span, why=why, by=by, at=app.now())
    if not done:
        raise InputError(_nothing(app, kind, machine, span, "put back in" if why is None else "set aside"))
    return done


def _nothing(app: App, kind: AsideKind, machine: str, span: tuple[datetime, datetime], doing: str) -> str:
    found, one = _entries(app, kind, machine), _ONE[kind]
    if any(span[0] <= entry.at <= span[1] for entry in found):
        state = "none of these is set aside" if doing == "put back in" else "these are set aside already"
        return f"nothing to be {doing}: {state}"
    if not found:
        return f"{machine} has no {one}"
    nearest = min(found, key=lambda entry: min(abs(entry.at - span[0]), abs(entry.at - span[1])))
    return f"{machine} has no {one} of that time; the nearest is of {_typed(app, nearest.at)}"


def _show(app: App, kind: AsideKind, machine: str, found: Sequence[Entry], command: str) -> None:
    name = sanitize(machine)
    if not found:
        echo(f"{name}: no {_ONE[kind]}" + (" is set aside" if command == "put-back-in" else ""))
        return
    rows = [(_typed(app, one.at), one.said, _why(one)) for one in reversed(found[-_SHOWN:])]
    table([("time", False), (_HEADING[kind], False), ("set aside", False)], rows, lambda _: False)
    if len(found) > _SHOWN:
        echo(f"and {len(found) - _SHOWN:,} before these")
    why, whole = (' --why "..."', "") if command == "set-aside" else ("", "; all: --all")
    paragraph(
        f'one: farmwatch {command} {name}{_option(kind)} --at "{rows[0][0]}"{why}; several: --since, --until{whole}',
        hang=2,
    )


def _why(one: Entry) -> str:
    if one.why is None:
        return ""
    return f"{one.why} ({one.by})" if one.by else one.why


def _typed(app: App, at: datetime) -> str:
    """A time as one types it: on the farm's clock, to the second."""
    there = at.astimezone(app.settings.farm.timezone)
    return f"{there:%Y-%m-%d %H:%M:%S}"


def _as_typed(chosen: dict[str, Any]) -> str:
    return " ".join(f'--{name} "{chosen[name]}"' for name in ("at", "since", "until") if chosen[name] is not None)


def _counted(kind: AsideKind, number: int) -> str:
    from farmwatch.text import count

    return count(number, _ONE[kind])


COMMANDS = (set_aside, put_back_in)
