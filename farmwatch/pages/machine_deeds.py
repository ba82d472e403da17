"""What people enter at a machine: notes, out of service and back, and the wish that its host be asked now."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast, get_args

from flask import Response, request, url_for

from farmwatch.errors import InputError
from farmwatch.history import Note, NoteKind, OutOfService
from farmwatch.pages.app import source
from farmwatch.pages.changes import change, day_to_come, typed
from farmwatch.text import day

__all__ = ["NOTE_KINDS", "ask", "back", "note", "out"]

NOTE_KINDS: dict[str, str] = {
    "belt": "the belt was changed or tensioned",
    "pulley": "a pulley was changed or set",
    "plate": "another plate, or the plate turned",
    "probe": "the probe was changed or set",
    "nozzle": "the nozzle was changed",
    "moved": "the machine was moved",
    "replaced": "another machine stands there now",
    "other": "anything else worth remembering",
}


def note(name: str) -> Response:
    """Say what was done by hand."""
    what, text = request.form.get("what", ""), typed("text", "The note")
    if what not in get_args(NoteKind):
        raise InputError("What was done: choose one of the list")
    machine = _machine(name)

    def do(who: str) -> str:
        farm = source()
        kind = cast(NoteKind, what)
        farm.store.add_note(Note(machine=machine, at=farm.clock(), what=kind, by=who, text=text))
        if kind == "replaced":
            farm.store.unpin(machine)
        return f"Noted at {machine}: {NOTE_KINDS[what]}."

    return _change(machine, "note", do)


def out(name: str) -> Response:
    """Take it out of service."""
    machine, why = _machine(name), typed("why", "The reason", needed=True)
    until = day_to_come("until")

    def do(_who: str) -> str:
        farm = source()
        farm.store.take_out(OutOfService(machine=machine, since=farm.clock(), reason=why, until=until))
        end = "" if until is None else f" until {day(until.astimezone(farm.settings().farm.timezone).date())}"
        return f"{machine} is out of service{end}: no flags, no tickets."

    return _change(machine, "out of service", do)


def back(name: str) -> Response:
    """Bring it back into service."""
    machine = _machine(name)

    def do(_who: str) -> str:
        farm = source()
        if not farm.store.bring_back(machine, farm.clock()):
            raise InputError("it was in service already")
        return f"{machine} is back in service."

    return _change(machine, "back in service", do)


def ask(name: str) -> Response:
    """Let its host be asked now, not at its next turn."""
    machine = source().settings().machine(name)
    if machine.address is None or machine.mapping is None:
        raise InputError(f"{machine.name} has no host; its meshes are imported")

    def do(_who: str) -> str:
        source().ask(machine.name)
        return f"The host of {machine.name} is being asked; what it says stands here within seconds."

    back_to = url_for("hosts") if request.form.get("back") == "hosts" else _page(machine.name)
    return change("ask now", machine.name, do, back_to)


def _machine(name: str) -> str:
    return source().settings().machine(name).name


def _page(machine: str) -> str:
    return url_for("machine", name=machine)


def _change(machine: str, what: str, do: Callable[[str], str]) -> Response:
    return change(what, machine, do, _page(machine))
