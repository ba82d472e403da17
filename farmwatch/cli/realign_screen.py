"""Guided realignment on a plain terminal: lines only, so that it survives any size of it and any connection."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING

from farmwatch.cli.screen import echo, paragraph, width
from farmwatch.text import day_of, joined, sanitize

if TYPE_CHECKING:
    from farmwatch.judge.learned import StepBelief
    from farmwatch.model import Model, TurningSense
    from farmwatch.realign import BedState, Bench, Findings, NextMove, Seen, Turn
    from farmwatch.tickets import Ticket

__all__ = ["TerminalScreen"]


def _teeth(teeth: int) -> str:
    return "1 tooth" if abs(teeth) == 1 else f"{abs(teeth)} teeth"


def _round(turn: Turn) -> str:
    return "clockwise" if turn.clockwise else "anticlockwise"


def _told(turn: Turn, model: Model) -> str:
    """The turn as a sentence; whoever takes the work up again reads the same one."""
    from farmwatch.judge.words import move_sentence, screw_words

    if turn.teeth is None or turn.clockwise is None:
        return move_sentence(turn.screw, turn.teeth, turn.rise_mm, model.clockwise)
    if not turn.way_known:
        # Which way the bed goes is what this tooth is to show.
        return f"{screw_words(turn.screw)}: {_teeth(turn.teeth)} {_round(turn)} seen from below"
    return move_sentence(turn.screw, turn.teeth, turn.rise_mm, _sense(turn))


def _sense(turn: Turn) -> TurningSense:
    """What a clockwise turn was taken to do when it was told."""
    return "raises" if ((turn.teeth or 0) > 0) == turn.clockwise else "lowers"


def _did(one: Seen) -> str:
    """What a screw did, and where that is not what was told."""
    if not one.moved:
        return "did not move"
    way = "rose" if one.rise_mm > 0 else "fell"
    teeth = "" if not one.teeth or one.between_teeth else f", {_teeth(one.teeth)}"
    if one.against:
        meant = "lowered" if one.rise_mm > 0 else "raised"
        by = f" by {_teeth(one.told.teeth)}" if one.told is not None and one.told.teeth else ""
        return f"{way.upper()} {abs(one.rise_mm):.3f} mm{teeth}, where it was to be {meant}{by}"
    did = f"{way} {abs(one.rise_mm):.3f} mm{teeth}"
    if one.told is None:
        return f"{did} without being asked"
    if one.told.teeth and not one.as_asked and one.told.teeth != one.teeth:
        return f"{did}, where {_teeth(one.told.teeth)} was told"
    return did


def _forget_typed() -> None:
    """Keys pressed while nothing was asked are no answer to what is asked now."""
    try:
        import termios
    except ImportError:
        return
    with suppress(OSError, ValueError, termios.error):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


def _yes_or_no() -> bool | None:
    """The answer typed; None where the terminal is gone."""
    while True:
        print("yes or no: ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            echo()
            return None
        answer = line.strip().lower()
        if answer and "yes".startswith(answer):
            return True
        if answer and "no".startswith(answer):
            return False


class TerminalScreen:
    """A session's words on a terminal."""

    def __init__(self, timezone: tzinfo = UTC, *, reopen: bool = False) -> None:
        self._timezone, self._reopen = timezone, reopen
        self._bench: Bench | None = None

    def begin(self, bench: Bench, ticket: Ticket | None, taken_up: Sequence[Turn]) -> None:
        """The machine, its ticket, the cautions."""
        from farmwatch.cli.ticket_page import show_cautions

        self._bench = bench
        paragraph(f"{sanitize(bench.machine.name)}: guided realignment", strong=True)
        if ticket is None:
            paragraph("No ticket is open for it; the moves are recorded all the same.", hang=2)
        else:
            unapproved = "; it is not approved yet" if ticket.phase == "proposed" else ""
            paragraph(f"ticket {ticket.number}, {ticket.phase}{unapproved}", hang=2)
        show_cautions()
        echo()
        if taken_up:
            paragraph("Taken up again. The last moves told were:")
            self._show_turns(taken_up)
            if bench.model.drive == "free" and bench.model.clockwise is None:
                paragraph("Once that is done, mesh again, hot.")
            else:
                paragraph("Do what of it is not done yet, and nothing twice; then mesh again, hot.")
        else:
            paragraph("Asking its host for the newest mesh ...")

    def reopen(self, ticket: Ticket) -> bool:
        """As was said on the command line, else as is answered on the terminal."""
        if self._reopen or not sys.stdin.isatty():
            return self._reopen
        done = "" if ticket.work_until is None else f" {day_of(ticket.work_until, self._timezone, year=False)}"
        paragraph(
            f"Ticket {ticket.number}: work done{done}; do not turn; probe hot. Its check is not over.",
            hang=2,
            strong=True,
        )
        paragraph("Reopen it, and turn its screws again?", hang=2, strong=True)
        return bool(_yes_or_no())

    def wait(self, reason: str) -> None:
        """One line, however long it lasts."""
        paragraph(f"waiting for a new mesh{': ' + sanitize(reason) if reason else ''}", hang=2)

    def show_bed(self, bed: BedState, findings: Findings | None, before: BedState | None, old: bool) -> None:
        """Range, what moved, the bed."""
        echo()
        echo("-" * min(width(), 60))
        if findings is not None and before is not None:
            meshed = f"{before.taken_at.astimezone(self._timezone):%H:%M}"
            was = f"before the move {before.range_mm:.3f} mm (mesh of {meshed})"
            paragraph(f"range {bed.range_mm:.3f} mm; {was}", hang=2, strong=True)
            self._show_findings(findings)
        else:
            paragraph(f"range {bed.range_mm:.3f} mm", strong=True)
        if old:
            paragraph("This mesh is hours old. If anything was done since, mesh again, hot, before you turn a screw.")
        self._show_map(bed)

    def tell(self, advice: NextMove, belief: StepBelief, bed: BedState) -> None:
        """The next move in plain sentences, or the end."""
        echo()
        if advice.kind == "stopped":
            self._show_stop(advice)
            return
        if advice.kind == "finished":
            self._show_end(advice, bed)
            return
        echo("Next", strong=True)
        self._show_turns(advice.turns)
        if belief.reference_machine and not belief.moves:
            does = "raised" if belief.told == "raises" else "lowered"
            paragraph(
                f"That way round is taken from {sanitize(belief.reference_machine)}, of the same model: there a "
                f"clockwise turn {does} the bed.",
                indent=2,
            )
        if advice.kind == "learn":
            only = "A little" if advice.turns[0].teeth is None else "One tooth"
            only += " at each" if len(advice.turns) > 1 else ""
            why = "until a move has gone as told" if advice.careful else "to learn this machine"
            rest = "" if advice.careful else " The rest follows at once."
            paragraph(f"{only} only, {why}; then mesh again, hot.{rest}", indent=2)
        else:
            paragraph(f"Then mesh again, hot: it should read about {advice.expected_mm:.2f} mm.", indent=2)

    def tell_again(self, turns: Sequence[Turn]) -> None:
        """The move that still waits, in the words in which it was told."""
        echo()
        echo("Next, as before", strong=True)
        self._show_turns(turns)
        paragraph("Then mesh again, hot.", indent=2)

    def ask(self, seen: Seen) -> bool | None:
        """Ask on the terminal; None where no terminal can answer."""
        from farmwatch.judge.words import screw_words

        told = seen.told
        if told is None or told.clockwise is None or not sys.stdin.isatty():
            return None
        _forget_typed()
        echo()
        rose, should = ("rose", "fallen") if seen.rise_mm > 0 else ("fell", "risen")
        where = f" where it should have {should}" if seen.against else ""
        which = f"{sanitize(screw_words(seen.screw))} {rose.upper() if seen.against else rose}"
        paragraph(f"{which} {abs(seen.rise_mm):.3f} mm{where}.", hang=2, strong=True)
        paragraph(f"Did you turn it {_round(told)}, seen from below?", hang=2, strong=True)
        return _yes_or_no()

    def _show_turns(self, turns: Sequence[Turn]) -> None:
        from farmwatch.judge.words import screw_words

        assert self._bench is not None
        for turn in turns:
            paragraph(sanitize(_told(turn, self._bench.model)), indent=2, hang=2, strong=True)
        for screw in self._bench.model.screws:
            if screw.reference:
                paragraph(f"leave the {sanitize(screw_words(screw.name))} screw alone: it is the reference", indent=2)

    def _show_findings(self, findings: Findings) -> None:
        from farmwatch.judge.learned import step_differences
        from farmwatch.judge.words import screw_words

        if findings.nothing_moved:
            paragraph("No screw has moved: was that mesh taken before the turn? Do the move, then mesh again.", hang=2)
            return
        for one in findings.screws:
            if not one.moved and one.told is None:
                continue
            paragraph(f"{sanitize(screw_words(one.screw))} {_did(one)}", indent=2, hang=2)
            if one.also:
                others = sanitize(joined([screw_words(name) for name in one.also]))
                paragraph(
                    f"or {others} the other way: on four screws the mesh cannot tell them apart", indent=4, hang=2
                )
            for sentence in self._of_its_way(one, findings.belief):
                paragraph(sentence, indent=4, hang=2)
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
        # Which of the two it was, the machine or the hand, is open while nobody could say.
        if not any(one.to_ask and one.answer is None for one in findings.screws):
            for sentence in step_differences(findings.belief):
                paragraph(sentence, indent=2, hang=2)

    def _of_its_way(self, one: Seen, belief: StepBelief) -> Iterator[str]:
        """What follows from the way that a screw went, where that is not the way told, or none was."""
        if not one.to_ask:
            if one.against:
                yield "It was turned the wrong way round. See which way raises it before the next move."
            return
        assert self._bench is not None
        if one.answer is False:
            yield "It counts as turned the other way round, as you say."
        elif one.answer and not one.against:
            does = "raises" if belief.likelier_sense == "raises" else "lowers"
            yield f"So a clockwise turn, seen from below, {does} the bed."
        elif one.answer and one.told is not None and belief.likelier_sense == _sense(one.told):
            yield "Its earlier moves say otherwise: one tooth more shows which is right."
        elif one.answer is None and one.against:
            stated = self._bench.model.clockwise is not None
            or_else = "`clockwise` of the model is wrong" if stated else "this machine turns the other way"
            yield f"It was turned the wrong way round, or {or_else}. Find out which before the next move."
        elif one.answer is None:
            yield "Its turning sense rests on this one tooth: see that it was turned as told."

    def _show_stop(self, advice: NextMove) -> None:
        from farmwatch.judge.words import screw_words

        assert self._bench is not None
        if advice.strayed is None:
            paragraph("Stopped: so many moves should have brought it there. Turn nothing more.", hang=2, strong=True)
            paragraph(
                "Something of it is not as its model says: where the screws are, lead_mm, pulley_teeth, clockwise, or "
                "the mapping. See farmwatch check, and what each move did: farmwatch ticket show.",
                indent=2,
                hang=2,
            )
            return
        screw, name = sanitize(screw_words(advice.strayed.screw)), sanitize(self._bench.machine.name)
        said = f"Stopped: {screw} moved, which was not told; what was told did not. Turn nothing more."
        paragraph(said, hang=2, strong=True)
        why = (
            "Was another screw turned? Else: are screw names or mapping mirrored? Check `first` of its mapping and "
            f"where its model has the screws (farmwatch check). Then farmwatch realign {name} goes on."
        )
        paragraph(why, indent=2, hang=2)

    def _show_map(self, bed: BedState) -> None:
        from farmwatch.cli.charts import bed_map

        assert self._bench is not None
        sheet, caption = bed_map(bed.mesh, screws=self._bench.model.screws, spikes=[], columns=min(width(), 72))
        for line in sheet:
            echo(line)
        for sentence in caption:
            paragraph(sentence, hang=2)

    def _show_end(self, advice: NextMove, bed: BedState) -> None:
        from farmwatch.judge.words import screw_words

        assert self._bench is not None
        words = {
            "ideal": "The ideal limit is reached. Leave the screws as they are.",
            "usable": "Under the usable limit, and whole teeth get no closer. Leave the screws as they are.",
            "tooth-floor": "As good as teeth allow: no whole tooth gets closer. Leave the screws as they are.",
            "plate": "The screws are not what is left: the plate, or what it lies on, is not flat.",
        }
        paragraph(f"Finished at {bed.range_mm:.3f} mm. {words.get(advice.ending, '')}".strip(), strong=True)
        if advice.ending == "plate":
            name = sanitize(self._bench.machine.name)
            paragraph(
                "Turn the plate by half a turn, mesh again, hot, and say so: "
                f"farmwatch note {name} plate --text turned. What turns with the plate is the plate's own.",
                indent=2,
                hang=2,
            )
        for mount, thick in (advice.shims_mm or {}).items():
            if thick > 0:
                paragraph(f"{sanitize(screw_words(mount))}: shim {thick:.2f} mm", indent=2)
        if advice.after_shims_mm is not None:
            paragraph(f"With the shims it would be {advice.after_shims_mm:.2f} mm.", indent=2)
