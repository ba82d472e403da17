"""Guided realignment on a plain terminal: lines only, so that it survives any size of it and any connection."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING

from farmwatch.cli.screen import echo, paragraph, width
from farmwatch.text import day_of, sanitize

if TYPE_CHECKING:
    from farmwatch.judge.learned import StepBelief
    from farmwatch.realign import BedState, Bench, Findings, NextMove, Seen, Turn
    from farmwatch.tickets import Ticket

__all__ = ["TerminalScreen"]


def _forget_typed() -> None:
    """Keys pressed while nothing was asked are no answer to what is asked now."""
    try:
        import termios
    except ImportError:
        return
    with suppress(OSError, ValueError, termios.error):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


_MIRRORED = str.maketrans("/\\", "\\/")


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

    def __init__(self, timezone: tzinfo = UTC, *, reopen: bool = False, laid_over: bool = False) -> None:
        self._timezone, self._reopen, self._laid_over = timezone, reopen, laid_over
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
        """The bed, and below it, where the eye rests on a small screen, range and what moved."""
        echo()
        echo("-" * min(width(), 60))
        self._show_map(bed)
        if findings is not None and before is not None:
            meshed = f"{before.taken_at.astimezone(self._timezone):%H:%M}"
            was = f"before the move {before.range_mm:.3f} mm (mesh of {meshed})"
            paragraph(f"range {bed.range_mm:.3f} mm; {was}", hang=2, strong=True)
            self._show_findings(findings)
        else:
            paragraph(f"range {bed.range_mm:.3f} mm", strong=True)
        if old:
            paragraph("This mesh is hours old. If anything was done since, mesh again, hot, before you turn a screw.")

    def tell(self, advice: NextMove, belief: StepBelief, bed: BedState) -> None:
        """The next move in plain sentences, or the end."""
        from farmwatch.realign import words

        echo()
        if advice.kind == "stopped":
            self._show_stop(advice)
            return
        if advice.kind == "finished":
            self._show_end(advice, bed)
            return
        echo("Next", strong=True)
        self._show_turns(advice.turns)
        for sentence in words.next_sentences(advice, belief):
            paragraph(sanitize(sentence), indent=2)

    def tell_again(self, turns: Sequence[Turn]) -> None:
        """The move that still waits, in the words in which it was told."""
        from farmwatch.realign import words

        echo()
        echo("Next, as before", strong=True)
        self._show_turns(turns)
        paragraph(words.cycle_sentence(), indent=2)

    def ask(self, seen: Seen) -> bool | None:
        """Ask on the terminal; None where no terminal can answer."""
        from farmwatch.realign import words

        if seen.told is None or seen.told.clockwise is None or not sys.stdin.isatty():
            return None
        _forget_typed()
        echo()
        for sentence in words.question(seen):
            paragraph(sanitize(sentence), hang=2, strong=True)
        return _yes_or_no()

    def _show_turns(self, turns: Sequence[Turn]) -> None:
        from farmwatch.realign import words

        assert self._bench is not None
        told, alone = words.turns_sentences(turns, self._bench.model)
        for sentence in told:
            paragraph(sanitize(sentence), indent=2, hang=2, strong=True)
        if alone:
            paragraph(sanitize(alone), indent=2)

    def _show_findings(self, findings: Findings) -> None:
        from farmwatch.realign import words

        assert self._bench is not None
        for depth, sentence in words.findings_sentences(findings, self._bench.model):
            paragraph(sanitize(sentence), indent=2 + 2 * depth, hang=2)

    def _show_stop(self, advice: NextMove) -> None:
        from farmwatch.realign import words

        assert self._bench is not None
        name = sanitize(self._bench.machine.name)
        said, why = words.stop_sentences(advice)
        paragraph(sanitize(said), hang=2, strong=True)
        then = (
            "See farmwatch check, and what each move did: farmwatch ticket show."
            if advice.strayed is None
            else f"See farmwatch check; then farmwatch realign {name} goes on."
        )
        paragraph(f"{why} {then}", indent=2, hang=2)

    def _show_map(self, bed: BedState) -> None:
        from farmwatch.cli.charts import bed_map

        assert self._bench is not None
        sheet, caption = bed_map(bed.mesh, screws=self._bench.model.screws, spikes=[], columns=min(width(), 72))
        if self._laid_over:
            # Seen from below with the rear down, left stays left and the front comes to the top.
            sheet = [line.translate(_MIRRORED) for line in reversed(sheet)]
            caption = [sentence.replace("Front at the bottom", "Front at the top") for sentence in caption]
            echo("The bed from below, machine laid on its back", strong=True)
        else:
            echo("The bed, as you face the machine", strong=True)
        for line in sheet:
            echo(line)
        for sentence in caption:
            paragraph(sentence, hang=2)

    def _show_end(self, advice: NextMove, bed: BedState) -> None:
        from farmwatch.realign import words

        assert self._bench is not None
        first, *rest = words.end_sentences(advice, bed.range_mm)
        paragraph(first, strong=True)
        for sentence in rest:
            paragraph(sanitize(sentence), indent=2, hang=2)
        if advice.ending == "plate":
            echo(f"  farmwatch note {sanitize(self._bench.machine.name)} plate --text turned")
