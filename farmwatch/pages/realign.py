"""Guided realignment on a phone: one step fills the screen, the next comes by itself once a mesh has been read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from flask import Response, current_app, request, session, url_for

from farmwatch.errors import InputError
from farmwatch.judge import CAUTIONS
from farmwatch.judge.words import screw_words
from farmwatch.model import Model
from farmwatch.pages.app import reader, source
from farmwatch.pages.benches import MARK, Benches, Shown
from farmwatch.pages.changes import change
from farmwatch.pages.guard import someone
from farmwatch.pages.look import page
from farmwatch.pages.scale import Row, scale_drawing
from farmwatch.realign import Turn, words
from farmwatch.tickets import Ticket

__all__ = ["answer", "begin", "events", "leave", "realign", "take_back", "take_over"]

# A browser that follows comes back so often for what is new: no stream holds one of the few threads.
COMES_BACK_MS = 2_000
AGREES_SD = 2.0
LEAST_DIFFERENCE_MM = 0.015
_WAYS: dict[str, bool | None] = {"yes": True, "no": False, "unknown": None}


@dataclass(frozen=True, slots=True)
class _Told:
    """One turn as it stands on the screen."""

    screw: str
    way: Literal["up", "down", ""]
    how_much: str
    sense: str


def benches() -> Benches:
    """The realignments that go on in this service."""
    found: Benches = current_app.extensions["benches"]
    return found


def realign(name: str) -> Response:
    """The step at which the work at a machine stands."""
    farm = source()
    settings = farm.settings()
    machine = settings.machine(name)
    model, limits = settings.models[machine.model], settings.limits
    shown = benches().at(machine.name)
    ticket = next((t for t in reader().snapshot().tickets if t.machine == machine.name and _is_its(t)), None)
    if shown is None:
        claim = farm.store.claims(farm.clock()).get(machine.name)
        elsewhere = claim if claim is not None and not claim.session.startswith(f"{MARK}/") else None
        left = any(move.after_at is None for move in farm.store.moves([machine.name]))
        return page(
            "realign_begin.html", machine=machine, model=model, ticket=ticket, elsewhere=elsewhere, left=left,
            cycle=words.CYCLE,
        )  # fmt: skip
    holds = _holds(shown)
    told, alone = words.turns_sentences(shown.turns, model)
    findings = () if shown.findings is None else tuple(words.findings_sentences(shown.findings, model))
    return page(
        "realign.html",
        machine=machine,
        model=model,
        ticket=ticket,
        shown=shown,
        holds=holds,
        turns=tuple(_on_screen(turn, model) for turn in shown.turns),
        told=told,
        alone=alone,
        beside=tuple(words.next_sentences(shown.advice, shown.belief))
        if shown.step == "turn" and not shown.again and shown.advice is not None and shown.belief is not None
        else (),
        findings=findings,
        verdict=_verdict(shown),
        scale=_scale(shown, limits.usable_mm, limits.ideal_mm),
        question=words.question(shown.asked) if shown.asked is not None else None,
        end=_end(shown),
        cycle=words.cycle_sentence(),
        waits=max(0, round((farm.clock() - shown.since).total_seconds())),
    )


def events(name: str) -> Response:
    """That something is new, as a server-sent event (HTML standard); the browser comes back for the next."""
    shown = benches().at(source().settings().machine(name).name)
    version = "none" if shown is None else str(shown.version)
    body = f"retry: {COMES_BACK_MS}\n"
    body += (
        ": the same\n\n" if request.headers.get("Last-Event-ID") == version else f"id: {version}\ndata: {version}\n\n"
    )
    return Response(body, content_type="text/event-stream")


def begin(name: str) -> Response:
    """Begin at a machine, or take up what was left there; every caution is ticked first."""
    name = source().settings().machine(name).name

    def do(who: str) -> str:
        if any(f"caution-{number}" not in request.form for number in range(len(CAUTIONS))):
            raise InputError("read the cautions and tick each of them first")
        benches().begin(name, who, reopen="reopen" in request.form)
        return f"{name}: guided realignment begun."

    return _change(name, "realign", do)


def take_over(name: str) -> Response:
    """Another phone goes on with it."""

    def do(who: str) -> str:
        benches().hand_over(name, who)
        return f"{who} holds it now."

    return _change(name, "realign take-over", do)


def answer(name: str) -> Response:
    """Whether a screw was turned the way round that was told."""

    def do(_: str) -> str:
        way = request.form.get("way", "")
        if way not in _WAYS:
            raise InputError("answer by one of the buttons")
        _check_holds(name)
        benches().answer(name, _WAYS[way])
        return "Thank you; the next step follows."

    return _change(name, "realign answer", do)


def take_back(name: str) -> Response:
    """Tell the last move the other way."""

    def do(_: str) -> str:
        _check_holds(name)
        benches().take_back(name)
        return "The last move is told the other way."

    return _change(name, "realign take-back", do)


def leave(name: str) -> Response:
    """End it; it can be taken up again."""

    def do(_: str) -> str:
        _check_holds(name)
        benches().leave(name)
        return f"{name}: left. What was done is recorded; it can be taken up again."

    return _change(name, "realign leave", do)


def _change(name: str, what: str, do: Callable[[str], str]) -> Response:
    return change(what, name, do, url_for("realign", name=name))


def _is_its(ticket: Ticket) -> bool:
    return ticket.is_open and ticket.cause != "host"


def _who_looks() -> str:
    who = someone()
    return who.name if who is not None and who.name else str(session.get("by", ""))


def _holds(shown: Shown) -> bool:
    return _who_looks() == shown.by


def _check_holds(name: str) -> None:
    shown = benches().at(name)
    if shown is not None and not _holds(shown):
        raise InputError(f"{shown.by} holds it; take it over first")


def _on_screen(turn: Turn, model: Model) -> _Told:
    known = turn.way_known or turn.teeth is None
    way: Literal["up", "down", ""] = "" if not known else "up" if turn.rise_mm > 0 else "down"
    if turn.teeth is None:
        return _Told(screw_words(turn.screw), way, f"{abs(turn.rise_mm):.2f} mm", _free_sense(turn, model))
    much = "1 tooth" if abs(turn.teeth) == 1 else f"{abs(turn.teeth)} teeth"
    return _Told(screw_words(turn.screw), way, much, "clockwise" if turn.clockwise else "anticlockwise")


def _free_sense(turn: Turn, model: Model) -> str:
    if model.clockwise is None:
        return ""
    return "clockwise" if (turn.rise_mm > 0) == (model.clockwise == "raises") else "anticlockwise"


def _verdict(shown: Shown) -> str:
    """What the newest mesh says of the moves before it, in a few words."""
    if shown.findings is None or shown.bed is None:
        return ""
    if shown.findings.nothing_moved:
        return "Nothing has moved"
    if shown.expected_mm is None:
        return "The step is learned from this"
    off = shown.bed.range_mm - shown.expected_mm
    if abs(off) <= max(AGREES_SD * shown.bed.range_sd_mm, LEAST_DIFFERENCE_MM):
        return "As expected"
    return "Better than expected" if off < 0 else "Not as expected"


def _scale(shown: Shown, usable: float, ideal: float) -> object:
    """Before, expected and measured range on one scale with both limits; empty before the first mesh after a move."""
    if shown.bed is None:
        return ""
    rows = [] if shown.before is None else [Row("before", shown.before.range_mm)]
    if shown.findings is not None and shown.expected_mm is not None:
        rows.append(Row("expected", shown.expected_mm, open=True))
    rows.append(Row("measured", shown.bed.range_mm, sd_mm=shown.bed.range_sd_mm))
    if (
        shown.step == "turn"
        and shown.advice is not None
        and shown.advice.expected_mm is not None
        and not shown.findings
    ):
        rows.append(Row("after the move", shown.advice.expected_mm, open=True))
    return scale_drawing(rows, usable, ideal)


def _end(shown: Shown) -> tuple[str, ...]:
    advice = shown.advice
    if shown.step != "ended" or advice is None or shown.bed is None:
        return ()
    return (
        words.stop_sentences(advice)
        if advice.kind == "stopped"
        else tuple(words.end_sentences(advice, shown.bed.range_mm))
    )
