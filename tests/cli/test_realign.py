"""realign: what it refuses, and what stands on the screen."""

import io
import signal
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from farmwatch.cli.realign import _told_to_end
from farmwatch.cli.realign_screen import TerminalScreen
from farmwatch.config import Machine
from farmwatch.judge.learned import first_belief, learn_move
from farmwatch.model import Limits
from farmwatch.realign import Bench, Turn, bed_state, compare, next_move
from tests.realign.technician import AT, AXIS, model_of
from tests.realign.technician import Bench as Truth


def test_a_machine_without_a_host_is_refused(farm):
    code, _, err = farm("realign", "heron-01")
    assert code == 2
    assert "has no host to ask" in err


def test_an_unknown_machine_is_named_with_the_nearest(farm):
    code, _, err = farm("realign", "heron-1")
    assert code == 2
    assert "heron-01" in err


def screen_with(model, capsys):
    screen = TerminalScreen()
    machine = Machine(name="heron-01", model=model.name)
    screen.begin(Bench(machine=machine, model=model, limits=Limits(), by="technician"), None, ())
    return screen, capsys.readouterr().out


def test_the_cautions_come_before_the_first_move(capsys):
    _, out = screen_with(model_of(0.4), capsys)
    assert "plug pulled before hands go near belts" in out.replace("\n     ", " ")
    assert "The maker's manual, local rules" in out


def test_moves_are_sentences_and_the_reference_is_left_alone(capsys):
    model = model_of(0.4)
    truth = Truth(model, np.array([-0.8, 0.4, 0.0]), np.zeros(AXIS.size**2), 0.4, True, 0.004, np.random.default_rng(1))
    screen, _ = screen_with(model, capsys)
    first, belief = bed_state(truth.mesh(), model, AT, 0.004), first_belief(model)
    learn = next_move(first, model, Limits(), belief)
    screen.show_bed(first, None, None, False)
    screen.tell(learn, belief, first)
    out = capsys.readouterr().out
    assert "front left: up 1 tooth, clockwise seen from below" in out
    assert "leave the rear screw alone: it is the reference" in out
    truth.heights[0] += 0.4
    second = bed_state(truth.mesh(), model, AT, 0.004)
    findings = compare(first, second, learn.turns, model, belief)
    screen.show_bed(second, findings, first, False)
    out = capsys.readouterr().out
    assert "front left rose 0.39" in out or "front left rose 0.40" in out
    assert ", 1 tooth" in out


def test_teeth_that_are_not_whole_are_said_in_plain_words(capsys):
    model = model_of(0.4)
    truth = Truth(model, np.array([-0.8, 0.4, 0.0]), np.zeros(AXIS.size**2), 0.4, True, 0.004, np.random.default_rng(1))
    screen, _ = screen_with(model, capsys)
    belief = first_belief(model)
    for teeth in (1, 2):
        belief = learn_move(belief, teeth, 0.4 * teeth, 0.005)
    first = bed_state(truth.mesh(), model, AT, 0.004)
    truth.heights[0] += 0.2
    second = bed_state(truth.mesh(), model, AT, 0.004)
    findings = compare(first, second, (Turn(screw="front-left", teeth=1, rise_mm=0.4),), model, belief)
    screen.show_bed(second, findings, first, False)
    out = " ".join(capsys.readouterr().out.split())
    assert "mm, where 1 tooth was told" in out
    assert "no whole number of teeth: with power off, see that the belt lies in its teeth" in out


class Terminal:
    """A standard input at which somebody types."""

    def __init__(self, *lines):
        self.lines = [f"{line}\n" for line in lines]

    def isatty(self):
        return True

    def fileno(self):
        raise OSError("no file behind it")

    def readline(self):
        return self.lines.pop(0) if self.lines else ""


def turned(model, capsys, rise, *, meant=-1, belief=None, answers=None):
    """The screen, and what a rise at the front left screw comes to where one tooth was told."""
    screen, _ = screen_with(model, capsys)
    truth = Truth(model, np.array([0.8, 0.0, 0.0]), np.zeros(AXIS.size**2), 0.4, True, 0.004, np.random.default_rng(1))
    belief = belief or first_belief(model)
    clockwise = (meant > 0) == (belief.likelier_sense == "raises")
    told = Turn(
        screw="front-left", teeth=meant, rise_mm=0.4 * meant, clockwise=clockwise, way_known=belief.way_known
    )  # fmt: skip
    first = bed_state(truth.mesh(), model, AT, 0.004)
    truth.heights[0] += rise
    second = bed_state(truth.mesh(), model, AT + timedelta(minutes=8), 0.004)
    return screen, first, second, compare(first, second, (told,), model, belief, answers)


def words(capsys):
    return " ".join(capsys.readouterr().out.split())


def test_a_rise_where_a_fall_was_told_is_asked_about(capsys, monkeypatch):
    screen, _, _, found = turned(model_of(0.4), capsys, 0.4)
    for typed, answer in ((("", "yes"), True), (("maybe", "N"), False), ((), None)):
        monkeypatch.setattr("sys.stdin", Terminal(*typed))
        assert screen.ask(found.screws[0]) is answer
        said = words(capsys)
        assert "front left ROSE 0.40" in said or "front left ROSE 0.39" in said
        assert "mm where it should have fallen. Did you turn it anticlockwise, seen from below?" in said


def test_where_no_terminal_can_answer_nothing_is_asked(capsys, monkeypatch):
    screen, first, second, found = turned(model_of(0.4), capsys, 0.4)
    monkeypatch.setattr("sys.stdin", io.StringIO("yes\n"))
    assert screen.ask(found.screws[0]) is None
    assert words(capsys) == ""
    screen.show_bed(second, found, first, False)
    said = words(capsys)
    assert "mm, 1 tooth, where it was to be lowered by 1 tooth" in said
    assert (
        "It was turned the wrong way round, or `clockwise` of the model is wrong. "
        "Find out which before the next move."
    ) in said  # fmt: skip
    assert "answer the other way" not in said


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (False, "It counts as turned the other way round, as you say."),
        (True, "Its screws answer the other way: a clockwise turn, seen from below, lowers the bed."),
    ],
)
def test_the_answer_is_what_is_believed(capsys, answer, sentence):
    screen, first, second, found = turned(model_of(0.4), capsys, 0.4, answers={"front-left": answer})
    screen.show_bed(second, found, first, False)
    assert sentence in words(capsys)
    advice = next_move(second, model_of(0.4), Limits(), found.belief, 1, careful=True)
    screen.tell(advice, found.belief, second)
    said = words(capsys)
    assert f"front left: down 1 tooth, {'clockwise' if answer else 'anticlockwise'} seen from below" in said
    assert "One tooth only, until a move has gone as told." in said


def test_two_teeth_the_wrong_way_are_said_to_be_both(capsys):
    screen, first, second, found = turned(model_of(0.4), capsys, 0.8)
    screen.show_bed(second, found, first, False)
    said = words(capsys)
    assert "front left ROSE 0.80" in said or "front left ROSE 0.79" in said
    assert "2 teeth, where it was to be lowered by 1 tooth" in said
    assert "Find out which before the next move." in said


def test_one_tooth_where_one_was_told_is_not_said_twice(capsys):
    belief = first_belief(model_of(0.4))
    for teeth in (1, 2, 3):
        belief = learn_move(belief, teeth, 0.4 * teeth, 0.003)
    screen, first, second, found = turned(model_of(0.4), capsys, -0.36, belief=belief)
    assert not found.screws[0].as_asked
    screen.show_bed(second, found, first, False)
    said = words(capsys)
    assert ", 1 tooth" in said
    assert "was told" not in said


@pytest.mark.parametrize("answer", [True, None])
def test_a_sense_of_which_nothing_is_known_is_named_when_it_is_asked_about(capsys, answer):
    model = replace(model_of(0.4), clockwise=None)
    screen, first, second, found = turned(model, capsys, 0.4, answers={} if answer is None else {"front-left": answer})
    screen.show_bed(second, found, first, False)
    said = words(capsys)
    assert ("So a clockwise turn, seen from below, lowers the bed." in said) == (answer is True)
    assert ("Its turning sense rests on this one tooth" in said) == (answer is None)


def test_the_machine_that_lends_its_sense_is_named(capsys):
    model = replace(model_of(0.4), clockwise=None)
    truth = Truth(model, np.array([0.8, 0.0, 0.0]), np.zeros(AXIS.size**2), 0.4, True, 0.004, np.random.default_rng(1))
    screen, _ = screen_with(model, capsys)
    first, belief = bed_state(truth.mesh(), model, AT, 0.004), first_belief(model, ("heron-02", "raises"))
    screen.tell(next_move(first, model, Limits(), belief), belief, first)
    said = words(capsys)
    assert "front left: down 1 tooth, anticlockwise seen from below" in said
    assert "taken from heron-02, of the same model: there a clockwise turn raised the bed." in said


def test_taken_up_again_it_reads_as_it_was_told(capsys):
    model = replace(model_of(0.4), clockwise=None)
    screen = TerminalScreen()
    turns = (
        Turn(screw="front-left", teeth=-7, rise_mm=-2.8, clockwise=False),
        Turn(screw="front-right", teeth=1, rise_mm=0.4, clockwise=True, way_known=False),
    )
    screen.begin(
        Bench(machine=Machine(name="heron-01", model=model.name), model=model, limits=Limits(), by="x"), None, turns
    )
    said = words(capsys)
    assert "front left: down 7 teeth, anticlockwise seen from below" in said
    assert "front right: 1 tooth clockwise seen from below" in said
    assert "not known" not in said
    assert "Do what of it is not done yet, and nothing twice; then mesh again, hot." in said
    screen.tell_again(turns)
    said = words(capsys)
    assert said.startswith("Next, as before front left: down 7 teeth, anticlockwise seen from below")
    assert said.endswith("mesh again, hot.")


def test_the_range_says_from_which_mesh_it_counts(capsys):
    screen, first, second, found = turned(model_of(0.4), capsys, -0.4)
    screen.show_bed(second, found, first, False)
    said = words(capsys)
    assert f"range {second.range_mm:.3f} mm; before the move {first.range_mm:.3f} mm (mesh of 09:00)" in said


def test_nothing_breaks_within_a_word_on_a_narrow_screen(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "45")
    screen, first, second, found = turned(model_of(0.4), capsys, 0.4)
    screen.show_bed(second, found, first, False)
    screen.tell(next_move(second, model_of(0.4), Limits(), found.belief, 1, careful=True), found.belief, second)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 45
    assert "lowest" in " ".join(lines)


@pytest.mark.parametrize("name", ["SIGHUP", "SIGTERM"])
def test_a_closed_terminal_gives_the_machine_back(name):
    number = getattr(signal, name)
    before = signal.getsignal(number)
    given_back = []

    def at_the_bench():
        try:
            signal.raise_signal(number)
        finally:
            given_back.append(True)

    with pytest.raises(SystemExit) as end, _told_to_end():
        at_the_bench()
    assert end.value.code == 128 + number
    assert given_back == [True]
    assert signal.getsignal(number) is before


def test_in_24_rows_the_result_and_the_next_move_stand_last(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    screen, first, second, found = turned(model_of(0.4), capsys, -0.4)
    screen.show_bed(second, found, first, False)
    screen.tell(next_move(second, model_of(0.4), Limits(), found.belief, 1), found.belief, second)
    seen = capsys.readouterr().out.splitlines()[-24:]
    last = " ".join(" ".join(seen).split())
    way = ["let it cool", "power off", "turn;", "power on", "heat;", "soak", "clean", "mesh again, hot."]
    order = ["range ", "front left fell", "Next", *way]
    places = [last.index(word) for word in order]
    assert places == sorted(places)


def test_laid_over_the_picture_is_mirrored_and_says_so(capsys):
    model = model_of(0.4)
    truth = Truth(model, np.array([-0.8, 0.4, 0.0]), np.zeros(AXIS.size**2), 0.4, True, 0.0, np.random.default_rng(1))
    pictures = []
    for laid_over in (False, True):
        screen = TerminalScreen(laid_over=laid_over)
        screen.begin(Bench(machine=Machine(name="heron-01", model=model.name), model=model, limits=Limits(), by="x"),
                     None, ())  # fmt: skip
        capsys.readouterr()
        screen.show_bed(bed_state(truth.mesh(), model, AT, 0.004), None, None, False)
        pictures.append(capsys.readouterr().out)
    facing, below = ([line for line in text.splitlines() if line[:1] in ("|", "+")] for text in pictures)
    assert below == [line.translate(str.maketrans("/\\", "\\/")) for line in facing[::-1]]
    assert "front" in below[0]
    assert "as you face the machine" in pictures[0]
    assert "from below, machine laid on its back" in pictures[1]
    assert "Front at the top" in pictures[1]
