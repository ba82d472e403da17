"""realign: what it refuses, and what stands on the screen."""

import numpy as np

from farmwatch.cli.realigning import TerminalScreen
from farmwatch.config import Machine
from farmwatch.judge.learned import first_belief, learn_move
from farmwatch.model import Limits
from farmwatch.realign import Bench, Turn, advise, compare, look_at
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
    first, belief = look_at(truth.mesh(), model, AT, 0.004), first_belief(model)
    learn = advise(first, model, Limits(), belief)
    screen.look(first, None, None, False)
    screen.tell(learn, belief, first)
    out = capsys.readouterr().out
    assert "front left: up 1 tooth, clockwise seen from below" in out
    assert "leave the rear screw alone: it is the reference" in out
    truth.heights[0] += 0.4
    second = look_at(truth.mesh(), model, AT, 0.004)
    findings = compare(first, second, learn.turns, model, belief)
    screen.look(second, findings, first, False)
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
    first = look_at(truth.mesh(), model, AT, 0.004)
    truth.heights[0] += 0.2
    second = look_at(truth.mesh(), model, AT, 0.004)
    findings = compare(first, second, (Turn(screw="front-left", teeth=1, rise_mm=0.4),), model, belief)
    screen.look(second, findings, first, False)
    out = " ".join(capsys.readouterr().out.split())
    assert "mm, where 1 tooth was told" in out
    assert "no whole number of teeth: with power off, see that the belt lies in its teeth" in out
