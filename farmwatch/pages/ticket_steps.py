"""What people do with tickets: a function a step, each done once, refused where the page was older than the ticket."""

from __future__ import annotations

import math
from collections.abc import Callable

from flask import Response, flash, request, url_for

from farmwatch.errors import InputError
from farmwatch.judge.tables import METHODS
from farmwatch.pages import words
from farmwatch.pages.app import source
from farmwatch.pages.changes import change, day_to_come, typed
from farmwatch.pages.guard import someone
from farmwatch.pages.routes import ROUTES, may
from farmwatch.tickets import Outbox, Ticket, TicketRepository, open_by_hand, steps
from farmwatch.tickets.phases import Action

__all__ = [
    "accept", "approve", "assign", "done", "nothing_found", "open_", "put_back", "reopen", "take", "together", "undo",
    "withdraw",
]  # fmt: skip

Write = Callable[[Ticket], Ticket]
MOST_TOGETHER = 100
_WHO = {route.name: route.who for route in ROUTES}


def approve(number: int) -> Response:
    """Let the work be done, by somebody if one is named."""
    why, owner = typed("why", "The reason"), typed("owner", "Who is to do it")

    def do(name: str) -> str:
        one = _act(number, "approve", name, why)
        if owner:
            _book().act(number, "assign", at=source().clock(), by=name, why=owner)
        return f"Ticket {number}, {one.machine}: approved{f' for {owner}' if owner else ''}."

    return _change(number, "approve", do)


def assign(number: int) -> Response:
    """Give it to somebody."""
    owner = typed("owner", "Who is to do it", needed=True)

    def do(name: str) -> str:
        one = _act(number, "assign", name, owner)
        return f"Ticket {number}, {one.machine}: given to {owner}."

    return _change(number, "assign", do)


def take(number: int) -> Response:
    """Begin the work."""
    return _simple(number, "take", lambda: steps.taken(source().clock()), "taken; readings count as taken during work")


def put_back(number: int) -> Response:
    """Nothing came of it."""
    return _simple(number, "put-back", steps.put_back, "put back; somebody else may take it")


def done(number: int) -> Response:
    """The work is done."""
    method = request.form.get("method") or None
    if method is not None and method not in METHODS:
        raise InputError("What was done: choose one of the list")
    return _simple(
        number, "done", lambda: steps.finished(source().clock(), method), "work done; do not turn, probe it hot"
    )


def accept(number: int) -> Response:
    """Leave the machine as it is."""
    limit, until = _limit(request.form.get("limit", "")), day_to_come("until")
    return _simple(
        number,
        "accept",
        lambda: steps.accepted(source().clock(), limit, until, named="The limit"),
        "accepted as it is",
        needed=True,
    )


def nothing_found(number: int) -> Response:
    """Nothing was wrong."""
    return _simple(number, "nothing-found", lambda: steps.nothing_found(source().clock()), "closed; nothing was wrong")


def withdraw(number: int) -> Response:
    """End it."""
    return _simple(number, "withdraw", lambda: steps.withdrawn(source().clock()), "withdrawn", needed=True)


def reopen(number: int) -> Response:
    """Open a closed one again."""
    why = typed("why", "The reason", needed=True)
    return _simple(number, "reopen", lambda: steps.opened_again(why), "open again", needed=True)


def undo(number: int) -> Response:
    """Take back the last step."""

    def do(name: str) -> str:
        now = source().clock()
        undone = _book().undo(number, at=now, by=name)
        _announce()
        said = next((said for action, said in words.ACTION_WORDS.items() if action == undone.action), undone.action)
        return f"Ticket {number}: taken back, it is not “{said}” any more."

    return _change(number, "undo", do)


def open_(name: str) -> Response:
    """Open a ticket that no reading has proposed."""
    farm = source()
    settings = farm.settings()
    machine = settings.machine(name).name
    why = typed("why", "The reason", needed=True)

    def do(who: str) -> str:
        from farmwatch.assess import assess

        _announce()
        fleet = assess(settings, farm.store, farm.clock(), [machine])
        one = open_by_hand(settings, farm.store, fleet, machine, None, why, who)
        _announce()
        return f"Ticket {one.number} is open for {machine}."

    return change("open ticket", machine, do, url_for("machine", name=machine))


def together() -> Response:
    """One step with several tickets; each stands for itself, and it is told which could not be done."""
    action = request.form.get("action", "")
    numbers = [int(text) for text in request.form.getlist("number")[:MOST_TOGETHER] if _is_number(text)]
    who = someone()
    if action not in _TOGETHER or who is None or not may(who.role, _WHO[f"ticket_{action.replace('-', '_')}"]):
        raise InputError("choose what is to be done with them")
    if not numbers:
        raise InputError("no ticket is ticked")
    why = typed("why", "The reason", needed=action == "withdraw")
    owner = typed("owner", "Who is to do it")

    def do(name: str) -> str:
        did, not_done = [], []
        for number in numbers:
            try:
                _act(number, _TOGETHER[action][0], name, why, _TOGETHER[action][1](), f"revision-{number}")
                if action == "approve" and owner:
                    _book().act(number, "assign", at=source().clock(), by=name, why=owner)
                did.append(str(number))
            except InputError as refusal:
                not_done.append(f"{number}: {refusal}")
        _announce()
        for words_ in not_done:
            flash(f"Not done with ticket {words_}")
        return f"{words.ACTION_WORDS[_TOGETHER[action][0]].capitalize()}: {', '.join(did) or 'none'}."

    return change(f"{action} together", ", ".join(map(str, numbers)), do, url_for("tickets"))


def _as_it_is() -> Write:
    return lambda one: one


_TOGETHER: dict[str, tuple[Action, Callable[[], Write]]] = {
    "approve": ("approve", _as_it_is),
    "withdraw": ("withdraw", lambda: steps.withdrawn(source().clock())),
    "take": ("take", lambda: steps.taken(source().clock())),
    "put-back": ("put-back", steps.put_back),
    "done": ("done", lambda: steps.finished(source().clock(), None)),
}


def _simple(number: int, action: Action, write: Callable[[], Write], said: str, *, needed: bool = False) -> Response:
    why = typed("why", "The reason", needed=needed)

    def do(name: str) -> str:
        one = _act(number, action, name, why, write())
        return f"Ticket {number}, {one.machine}: {said}."

    return _change(number, action, do)


def _change(number: int, what: str, do: Callable[[str], str]) -> Response:
    back = request.form.get("back", "")
    one = _book().ticket(number)
    machine = url_for("machine", name=one.machine)
    return change(what, f"ticket {number}", do, machine if back == "machine" else url_for("ticket", number=number))


def _book() -> TicketRepository:
    return TicketRepository(source().store)


def _announce() -> None:
    Outbox(source().store).announce(source().settings(), source().clock())


def _act(
    number: int, action: Action, name: str, why: str, write: Write | None = None, field: str = "revision"
) -> Ticket:
    """Take the step; raises InputError, telling what happened meanwhile, where the ticket is another than was shown."""
    given = request.form.get(field, "")

    def checked(one: Ticket) -> Ticket:
        if _is_number(given) and one.revision != int(given):
            raise InputError("its numbers were renewed since this page was opened; look at them, then press again")
        return one if write is None else write(one)

    try:
        done = _book().act(number, action, at=source().clock(), by=name, why=why, change=checked)
    except InputError as refusal:
        raise InputError(_meanwhile(number, given) or str(refusal)) from None
    _announce()
    return done


def _meanwhile(number: int, given: str) -> str:
    """What somebody did with it since the page was opened; empty where nobody did."""
    one = _book().ticket(number)
    steps_since = one.revision - int(given) if _is_number(given) else 0
    told = (
        [event for event in _book().events(number)[-steps_since:] if event.action != "refresh"] if steps_since else []
    )
    if not told:
        return ""
    last, zone = told[-1], source().settings().farm.timezone
    said = next((said for action, said in words.ACTION_WORDS.items() if action == last.action), last.action)
    who = last.by or "somebody"
    return (
        f"Somebody was quicker: {who} had ticket {number} {said} at {last.at.astimezone(zone):%H:%M}. "
        f"It is now {words.PHASE_WORDS[one.phase]}; nothing was done a second time."
    )


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < 10


def _limit(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        limit = float(text.replace(",", "."))
    except ValueError:
        raise InputError("The limit: wanted mm, such as 0.26") from None
    if not (math.isfinite(limit) and 0 < limit <= 20):
        raise InputError("The limit: wanted mm above 0, at most 20")
    return limit
