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

FEW = "is not known yet: that takes 8 proven ones of one kind on one model; so far 7 of any kind."


def test_with_nothing_done_nothing_is_claimed():
    assert figure_sentences(NOTHING) == ("0 tickets are open.",)


def test_durability_is_said_from_eight_repairs_on():
    few = replace(LASTING, repairs=7, ended=2, median_days=None, still_holding_after_90_days=None)
    assert figure_sentences(replace(NOTHING, durability=(few,)))[1:] == (f"How long repairs last {FEW}",)
    assert figure_sentences(replace(NOTHING, durability=(LASTING, few)))[1:] == (
        "Turn plate on tideframe-220: half last over 14 weeks (n = 12, 7 came back).",
        f"How long other repairs last {FEW}",
    )


def test_where_more_than_half_still_hold_there_is_no_median():
    holding = replace(LASTING, median_days=None, still_holding_after_90_days=0.83)
    young = replace(holding, still_holding_after_90_days=None)
    said = [figure_sentences(replace(NOTHING, durability=(one,)))[1] for one in (holding, young)]
    assert said == [
        "Turn plate on tideframe-220: 83 % still hold after 90 days (n = 12, 7 came back).",
        "Turn plate on tideframe-220: more than half still hold (n = 12, 7 came back).",
    ]


def test_hands_parts_and_being_right():
    figures = replace(
        NOTHING, open_tickets=1, first_try=(5, 6), looked_at=(8, 9), hours_each=1.25, hours_timed=6, hours_open=2.5,
        shims_open=((0.05, 2), (0.2, 1)),
    )  # fmt: skip
    assert figure_sentences(figures) == (
        "1 ticket is open.",
        "Proven at the first try: 5 of 6.",
        "Of 9 flagged and looked at in 12 weeks, 8 were confirmed at the machine.",
        "Hands for the open work: about 2.5 hours, at this farm's median of 1.2 a ticket (n = 6).",
        "Shims for the open work: 2 of 0.05 mm, 1 of 0.20 mm.",
    )


def test_the_invented_farm_s_figures_are_those_of_its_book(with_tickets: WeeklyView):
    assert with_tickets.figures[0] == "10 tickets are open."
    assert "Proven at the first try: 2 of 3." in with_tickets.figures
    assert "Of 5 flagged and looked at in 12 weeks, 4 were confirmed at the machine." in with_tickets.figures
    # Shims of heron-01, which is to be realigned and shimmed, and of heron-09, at its tooth floor.
    assert any(said.startswith("Shims for the open work: ") for said in with_tickets.figures)
