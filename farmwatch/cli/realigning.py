"""Guided realignment on a plain terminal: lines only, so that it survives any size of it and any connection."""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import paragraph, plain, say, width
from farmwatch.errors import InputError

if TYPE_CHECKING:
    from farmwatch.judge.learned import StepBelief
    from farmwatch.realign import Advice, Bench, Findings, Look, Turn
    from farmwatch.tickets import Ticket

__all__ = ["COMMANDS", "TerminalScreen"]


@click.command("realign", short_help="Guided realignment of one machine.")
@click.argument("name")
@click.option("--by", metavar="WHO", help="Who is at the machine; the user of this computer if left out.")
@click.option("--every", type=click.FloatRange(min=0.2, max=300), default=5.0, metavar="SECONDS", show_default=True,
              help="How often the host is asked.")  # fmt: skip
@pass_app
def realign(app: App, name: str, by: str | None, every: float) -> None:
    """Follow machine NAME closely: the next move, and after each new mesh what it really did.

    It only reads; you mesh at the machine. Leave it with Ctrl-C at any time: it is taken up again where it was.
    """
    from farmwatch.cli.ticketing import who
    from farmwatch.collect import ask, fetcher_for
    from farmwatch.realign import Bench, Session

    settings = app.settings
    machine = settings.machine(name)
    if machine.address is None or machine.mapping is None:
        raise InputError(
            f"{name} has no host to ask; import its meshes and see `farmwatch machine {name}` for the plan"
        )
    bench = Bench(machine=machine, model=settings.models[machine.model], limits=settings.limits, by=who(by))
    with fetcher_for(settings) as fetcher:
        session = Session(
            settings, app.store, bench, TerminalScreen(), lambda: ask(settings, machine, fetcher, app.now), app.now
        )
        session.begin()
        try:
            end = session.run(threading.Event(), every)
        except KeyboardInterrupt:
            say()
            say(f"left; `farmwatch realign {plain(name)}` takes it up again")
            return
    if end is not None:
        _close(app, session.ticket_number, by)


def _close(app: App, number: int | None, by: str | None) -> None:
    """Offer to write the work on its ticket."""
    from farmwatch.cli.ticketing import finished_at, who
    from farmwatch.tickets import Book, announce

    if number is None:
        return
    book = Book(app.store)
    if book.ticket(number).phase != "in-work":
        return
    line = f"farmwatch ticket done {number} --method realign"
    paragraph(f"When belt, power and nozzle height are as they must be: {line}", hang=2)
    if sys.stdin.isatty() and click.confirm("Is all of that done, and may it be written so now?", default=False):
        now = app.now()
        book.act(number, "done", at=now, by=who(by), change=finished_at(now, "realign"))
        announce(app.settings, app.store, now)
        say(f"ticket {number}: proving; the next probings show whether it held")


def _teeth(teeth: int) -> str:
    return "1 tooth" if abs(teeth) == 1 else f"{abs(teeth)} teeth"


class TerminalScreen:
    """A session's words on a terminal."""

    def __init__(self) -> None:
        self._bench: Bench | None = None

    def begin(self, bench: Bench, ticket: Ticket | None, taken_up: Sequence[Turn]) -> None:
        """The machine, its ticket, the cautions."""
        from farmwatch.cli.ticket_page import say_cautions

        self._bench = bench
        paragraph(f"{plain(bench.machine.name)}: guided realignment", strong=True)
        if ticket is None:
            paragraph("No ticket is open for it; the moves are recorded all the same.", hang=2)
        else:
            unapproved = "; it is not approved yet" if ticket.phase == "proposed" else ""
            paragraph(f"ticket {ticket.number}, {ticket.phase}{unapproved}", hang=2)
        say_cautions()
        say()
        if taken_up:
            paragraph("Taken up again. The last moves told were:")
            self._say_turns(taken_up, None)
            paragraph("If they are done, mesh again, hot; if not, do them now.")
        else:
            paragraph("Asking its host for the newest mesh ...")

    def wait(self, reason: str) -> None:
        """One line, however long it lasts."""
        paragraph(f"waiting for a new mesh{': ' + plain(reason) if reason else ''}", hang=2)

    def look(self, look: Look, findings: Findings | None, before: Look | None, old: bool) -> None:
        """Range, what moved, the bed."""
        say()
        say("-" * min(width(), 60))
        if findings is not None and before is not None:
            paragraph(f"range {before.range_mm:.3f} mm -> {look.range_mm:.3f} mm", strong=True)
            self._say_findings(findings)
        else:
            paragraph(f"range {look.range_mm:.3f} mm", strong=True)
        if old:
            paragraph("This mesh is hours old. If anything was done since, mesh again, hot, before you turn a screw.")
        self._say_map(look)

    def tell(self, advice: Advice, belief: StepBelief, look: Look) -> None:
        """The next move in plain sentences, or the end."""
        say()
        if advice.kind == "finished":
            self._say_end(advice, look)
            return
        say("Next", strong=True)
        self._say_turns(advice.turns, belief)
        if advice.kind == "learn":
            paragraph(
                "One tooth only, to learn this machine; then mesh again, hot. The rest follows at once.", indent=2
            )
        else:
            paragraph(f"Then mesh again, hot: it should read about {advice.expected_mm:.2f} mm.", indent=2)

    def _say_turns(self, turns: Sequence[Turn], belief: StepBelief | None) -> None:
        from farmwatch.judge.words import move_sentence, screw_words

        assert self._bench is not None
        sense = self._bench.model.clockwise if belief is None else belief.clockwise
        for turn in turns:
            if sense is None and turn.teeth is not None and belief is not None:
                # Which way is up is what this tooth is to show; it is turned clockwise, and the mesh tells.
                clockwise = (turn.teeth > 0) == (belief.told == "raises")
                round_ = "clockwise" if clockwise else "anticlockwise"
                sentence = f"{screw_words(turn.screw)}: {_teeth(turn.teeth)} {round_} seen from below"
            else:
                sentence = move_sentence(turn.screw, turn.teeth, turn.rise_mm, sense)
            paragraph(plain(sentence), indent=2, hang=2, strong=True)
        for screw in self._bench.model.screws:
            if screw.reference:
                paragraph(f"leave the {plain(screw_words(screw.name))} screw alone: it is the reference", indent=2)

    def _say_findings(self, findings: Findings) -> None:
        from farmwatch.judge.learned import step_differences
        from farmwatch.judge.words import screw_words

        if findings.nothing_moved:
            paragraph("No screw has moved: was that mesh taken before the turn? Do the move, then mesh again.", hang=2)
            return
        for one in findings.screws:
            if not one.moved and one.told is None:
                continue
            way = "rose" if one.rise_mm > 0 else "fell"
            teeth = "" if not one.teeth or one.between_teeth else f", {_teeth(one.teeth)}"
            did = f"{way} {abs(one.rise_mm):.3f} mm{teeth}" if one.moved else "did not move"
            unasked = " without being asked" if one.moved and one.told is None else ""
            if one.moved and one.told is not None and one.told.teeth and not one.as_asked:
                unasked = f", where {_teeth(one.told.teeth)} was told"
            paragraph(f"{plain(screw_words(one.screw))} {did}{unasked}", indent=2, hang=2)
            if one.moved and one.between_teeth:
                paragraph(
                    "That is no whole number of teeth: with power off, see that the belt lies in its teeth; "
                    "then mesh again.",
                    indent=4,
                    hang=2,
                )
        if findings.reference_mm is not None:
            paragraph(
                f"The reference screw has moved, by {findings.reference_mm:+.3f} mm. It must not be turned: "
                "the others are now set to where it stands.",
                indent=2,
                hang=2,
            )
        for sentence in step_differences(findings.belief):
            paragraph(sentence, indent=2, hang=2)

    def _say_map(self, look: Look) -> None:
        from farmwatch.cli.bedmap import bed_map

        assert self._bench is not None
        sheet, caption = bed_map(look.mesh, screws=self._bench.model.screws, spikes=[], columns=min(width(), 72))
        for line in (*sheet, *caption):
            say(line)

    def _say_end(self, advice: Advice, look: Look) -> None:
        from farmwatch.judge.words import screw_words

        assert self._bench is not None
        words = {
            "ideal": "The ideal limit is reached. Leave the screws as they are.",
            "usable": "Under the usable limit, and whole teeth get no closer. Leave the screws as they are.",
            "tooth-floor": "As good as teeth allow: no whole tooth gets closer. Leave the screws as they are.",
            "plate": "The screws are not what is left: the plate, or what it lies on, is not flat.",
        }
        paragraph(f"Finished at {look.range_mm:.3f} mm. {words.get(advice.ending, '')}".strip(), strong=True)
        if advice.ending == "plate":
            name = plain(self._bench.machine.name)
            paragraph(
                "Turn the plate by half a turn, mesh again, hot, and say so: "
                f"farmwatch note {name} plate --text turned. What turns with the plate is the plate's own.",
                indent=2,
                hang=2,
            )
        for mount, thick in (advice.shims_mm or {}).items():
            if thick > 0:
                paragraph(f"{plain(screw_words(mount))}: shim {thick:.2f} mm", indent=2)
        if advice.after_shims_mm is not None:
            paragraph(f"With the shims it would be {advice.after_shims_mm:.2f} mm.", indent=2)


COMMANDS = (realign,)
