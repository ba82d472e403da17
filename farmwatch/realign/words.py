"""What a guided realignment says, as sentences: the terminal and the page show the same ones. Pure.

Names of screws and machines stand in them as the farm wrote them; each surface makes them harmless in its own way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from farmwatch.judge.learned import StepBelief, step_differences
from farmwatch.judge.words import move_sentence, screw_words
from farmwatch.model import Model, TurningSense
from farmwatch.realign.coach import Findings, NextMove, Seen, Turn
from farmwatch.text import joined

__all__ = [
    "CYCLE",
    "cycle_sentence",
    "did_words",
    "end_sentences",
    "findings_sentences",
    "next_sentences",
    "question",
    "stop_sentences",
    "told_words",
    "turns_sentences",
]

CYCLE = (
    "let it cool",
    "power off, plug out",
    "turn",
    "power on, home, set the nozzle height",
    "heat",
    "let it soak",
    "clean plate and nozzle",
    "mesh again, hot",
)
"""What is done between two meshes, in order, whatever is turned: common practice, no source."""

_ENDINGS = {
    "ideal": "The ideal limit is reached. Leave the screws as they are.",
    "usable": "Under the usable limit, and whole teeth get no closer. Leave the screws as they are.",
    "tooth-floor": "As good as teeth allow: no whole tooth gets closer. Leave the screws as they are.",
    "plate": "The screws are not what is left: the plate, or what it lies on, is not flat.",
}

_BETWEEN = "That is no whole number of teeth: with power off, see that the belt lies in its teeth; then mesh again."
_LEADS_NOWHERE = (
    "Something of it is not as its model says: where the screws are, lead_mm, pulley_teeth, clockwise, or the mapping."
)
_STRAYED = (
    "Was another screw turned? Else: are screw names or mapping mirrored? Check `first` of its mapping and where "
    "its model has the screws."
)


def told_words(turn: Turn, model: Model) -> str:
    """The turn as a sentence; whoever takes the work up again reads the same one."""
    if turn.teeth is None or turn.clockwise is None:
        return move_sentence(turn.screw, turn.teeth, turn.rise_mm, model.clockwise)
    if not turn.way_known:
        # Which way the bed goes is what this tooth is to show.
        return f"{screw_words(turn.screw)}: {_teeth(turn.teeth)} {_round(turn)} seen from below"
    return move_sentence(turn.screw, turn.teeth, turn.rise_mm, _sense(turn))


def cycle_sentence() -> str:
    """The whole way to the next mesh in a sentence."""
    return f"In this order: {'; '.join(CYCLE)}."


def turns_sentences(turns: Sequence[Turn], model: Model) -> tuple[tuple[str, ...], str]:
    """The turns, a sentence each, and which screw is left alone."""
    reference = next((screw.name for screw in model.screws if screw.reference), None)
    alone = "" if reference is None else f"leave the {screw_words(reference)} screw alone: it is the reference"
    return tuple(told_words(turn, model) for turn in turns), alone


def next_sentences(advice: NextMove, belief: StepBelief) -> Iterator[str]:
    """What goes with the next move: the way to the next mesh, why this way round or so little, what it should read."""
    yield cycle_sentence()
    if belief.reference_machine and not belief.moves:
        does = "raised" if belief.told == "raises" else "lowered"
        yield (
            f"That way round is taken from {belief.reference_machine}, of the same model: there a clockwise turn "
            f"{does} the bed."
        )
    if advice.kind == "learn":
        only = "A little" if advice.turns[0].teeth is None else "One tooth"
        only += " at each" if len(advice.turns) > 1 else ""
        why = "until a move has gone as told" if advice.careful else "to learn this machine"
        rest = "" if advice.careful else " The rest follows at once."
        yield f"{only} only, {why}.{rest}"
    else:
        yield f"The mesh should read about {advice.expected_mm:.2f} mm."


def did_words(one: Seen) -> str:
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


def findings_sentences(findings: Findings, model: Model) -> Iterator[tuple[int, str]]:
    """What the moves did: sentences, each with how deep it stands under the one before (0 or 1)."""
    if findings.nothing_moved:
        yield 0, "No screw has moved: was that mesh taken before the turn? Do the move, then mesh again."
        return
    if findings.reference_suspected_mm is not None:
        yield (
            0,
            (
                f"The reference screw seems to have moved, by {findings.reference_suspected_mm:+.3f} mm, or all others "
                "alike; one mesh is not enough to say. Turn nothing; mesh again, hot."
            ),
        )
        return
    for one in findings.screws:
        if not one.moved and one.told is None:
            continue
        yield 0, f"{screw_words(one.screw)} {did_words(one)}"
        if one.also:
            others = joined([screw_words(name) for name in one.also])
            yield 1, f"or {others} the other way: on four screws the mesh cannot tell them apart"
        for sentence in _of_its_way(one, findings.belief, model):
            yield 1, sentence
        if one.moved and one.between_teeth:
            yield 1, _BETWEEN
    if findings.reference_mm is not None:
        moved = f"The reference screw has moved, by {findings.reference_mm:+.3f} mm."
        yield 0, f"{moved} It must not be turned: the others are now set to where it stands."
    # Which of the two it was, the machine or the hand, is open while nobody could say.
    if not any(one.to_ask and one.answer is None for one in findings.screws):
        for sentence in step_differences(findings.belief):
            yield 0, sentence


def question(seen: Seen) -> tuple[str, str]:
    """What a screw did that only the one who turned it can explain, and the question."""
    assert seen.told is not None
    rose, should = ("rose", "fallen") if seen.rise_mm > 0 else ("fell", "risen")
    where = f" where it should have {should}" if seen.against else ""
    did = f"{screw_words(seen.screw)} {rose.upper() if seen.against else rose} {abs(seen.rise_mm):.3f} mm{where}."
    return did, f"Did you turn it {_round(seen.told)}, seen from below?"


def stop_sentences(advice: NextMove) -> tuple[str, str]:
    """Why it is stopped, and what to look at."""
    if advice.strayed is None:
        return "Stopped: so many moves should have brought it there. Turn nothing more.", _LEADS_NOWHERE
    moved = f"{screw_words(advice.strayed.screw)} moved, which was not told; what was told did not."
    return f"Stopped: {moved} Turn nothing more.", _STRAYED


def end_sentences(advice: NextMove, range_mm: float) -> Iterator[str]:
    """How it ended, and what is left to do."""
    yield f"Finished at {range_mm:.3f} mm. {_ENDINGS.get(advice.ending, '')}".strip()
    if advice.ending == "plate":
        yield (
            "Turn the plate by half a turn, mesh again, hot, and note that it was turned. What turns with the plate is "
            "the plate's own."
        )
    for mount, thick in (advice.shims_mm or {}).items():
        if thick > 0:
            yield f"{screw_words(mount)}: shim {thick:.2f} mm"
    if advice.after_shims_mm is not None:
        yield f"With the shims it would be {advice.after_shims_mm:.2f} mm."


def _of_its_way(one: Seen, belief: StepBelief, model: Model) -> Iterator[str]:
    """What follows from the way that a screw went, where that is not the way told, or none was."""
    if not one.to_ask:
        if one.against:
            yield "It was turned the wrong way round. See which way raises it before the next move."
        return
    if one.answer is False:
        yield "It counts as turned the other way round, as you say."
    elif one.answer and not one.against:
        does = "raises" if belief.likelier_sense == "raises" else "lowers"
        yield f"So a clockwise turn, seen from below, {does} the bed."
    elif one.answer and one.told is not None and belief.likelier_sense == _sense(one.told):
        yield "Its earlier moves say otherwise: one tooth more shows which is right."
    elif one.answer is None and one.against:
        or_else = (
            "`clockwise` of the model is wrong" if model.clockwise is not None else "this machine turns the other way"
        )
        yield f"It was turned the wrong way round, or {or_else}. Find out which before the next move."
    elif one.answer is None:
        yield "Its turning sense rests on this one tooth: see that it was turned as told."


def _teeth(teeth: int) -> str:
    return "1 tooth" if abs(teeth) == 1 else f"{abs(teeth)} teeth"


def _round(turn: Turn) -> str:
    return "clockwise" if turn.clockwise else "anticlockwise"


def _sense(turn: Turn) -> TurningSense:
    """What a clockwise turn was taken to do when it was told."""
    return "raises" if ((turn.teeth or 0) > 0) == turn.clockwise else "lowers"
