"""What the farm learns, in sentences: only what can be said."""

from dataclasses import replace

from farmwatch.report.figures import figure_sentences
from farmwatch.report.view import WeeklyView
from farmwatch.tickets import Durability, Figures

NOTHING = Figures(
    open_tickets=0, durability=(), first_try=(0, 0), looked_at=(0, 0), hours_each=None, hours_timed=0,
    hours_open=None, shims_open=(),
)  # fmt: skip
LASTING = Durability(
    model="tideframe-220", method="turn-plate", repairs=12, ended=7, median_days=98.0, still_holding_after_90_days=0.5
)

FEW = "repairs to say how long they last: 7 held their check so far, 8 of one kind on one model are needed."


def test_with_nothing_done_nothing_is_claimed():
    assert figure_sentences(NOTHING) == ("0 tickets are open.",)


def test_durability_is_said_from_eight_repairs_on():
    few = replace(LASTING, repairs=7, ended=2, median_days=None, still_holding_after_90_days=None)
    assert figure_sentences(replace(NOTHING, durability=(few,)))[1:] == (f"Too few {FEW}",)
    assert figure_sentences(replace(NOTHING, durability=(LASTING, few)))[1:] == (
        "Turn plate on tideframe-220: half last over 14 weeks (n = 12, 7 slipped again).",
        f"Too few other {FEW}",
    )


def test_where_more_than_half_still_hold_there_is_no_median():
    holding = replace(LASTING, median_days=None, still_holding_after_90_days=0.83)
    young = replace(holding, still_holding_after_90_days=None)
    said = [figure_sentences(replace(NOTHING, durability=(one,)))[1] for one in (holding, young)]
    assert said == [
        "Turn plate on tideframe-220: 83 % still hold after 90 days (n = 12, 7 slipped again).",
        "Turn plate on tideframe-220: more than half still hold (n = 12, 7 slipped again).",
    ]


def test_hands_parts_and_being_right():
    figures = replace(
        NOTHING, open_tickets=1, first_try=(5, 6), looked_at=(8, 9), hours_each=1.25, hours_timed=6, hours_open=2.5,
        shims_open=((0.05, 2), (0.2, 1)),
    )  # fmt: skip
    assert figure_sentences(figures) == (
        "1 ticket is open.",
        "5 of 6 repairs held at the first try.",
        "9 alarms inspected in 12 weeks; 8 were real.",
        "Labour for the open work: about 2.5 h (median 1.2 h a ticket, 6 timed).",
        "Shims for the open work: 2 of 0.05 mm, 1 of 0.20 mm.",
    )


def test_the_invented_farm_s_figures_are_those_of_its_book(with_tickets: WeeklyView):
    assert with_tickets.figures[0] == "10 tickets are open."
    assert "2 of 3 repairs held at the first try." in with_tickets.figures
    assert "5 alarms inspected in 12 weeks; 4 were real." in with_tickets.figures
    # Hours and shims are told by the labour of the week, once.
    assert not any(said.startswith(("Labour", "Shims")) for said in with_tickets.figures)
    assert "shim" in with_tickets.labour.parts
