"""What the farm learns from its tickets, in sentences: how long repairs last, how often we were right, what is needed.

Pure. Machines and methods only; nobody's name and nobody's times.
"""

from __future__ import annotations

from farmwatch.text import count, mm, spaced
from farmwatch.tickets import Durability, Figures

__all__ = ["figure_sentences"]


def figure_sentences(figures: Figures, *, needs: bool = True) -> tuple[str, ...]:
    """A sentence each, without what cannot be said yet; repairs are told of from eight of one model and method on.

    needs: also hours and shims of the open work, where nothing else tells them.
    """
    said = [f"{count(figures.open_tickets, 'ticket is', 'tickets are')} open."]
    told = [one for one in figures.durability if one.repairs >= Durability.REPAIRS_NEEDED]
    said += [_lasting(one) for one in told]
    few = sum(one.repairs for one in figures.durability) - sum(one.repairs for one in told)
    if few:
        said.append(
            f"Too few {'other ' if told else ''}repairs to say how long they last: {few:,} held their check so far, "
            f"{Durability.REPAIRS_NEEDED} of one kind on one model are needed."
        )
    proven, decided = figures.first_try
    if decided:
        said.append(f"{proven:,} of {count(decided, 'repair')} held at the first try.")
    right, looked = figures.looked_at
    if looked:
        verb = "was" if right == 1 else "were"
        said.append(f"{count(looked, 'alarm')} inspected in 12 weeks; {right:,} {verb} real.")
    return tuple(said + (_needs(figures) if needs else []))


def _needs(figures: Figures) -> list[str]:
    said = []
    if figures.hours_each is not None and figures.hours_open:
        said.append(
            f"Labour for the open work: about {figures.hours_open:.1f} h "
            f"(median {figures.hours_each:.1f} h a ticket, {figures.hours_timed:,} timed)."
        )
    if figures.shims_open:
        parts = ", ".join(f"{number:,} of {mm(thick, 2)} mm" for thick, number in figures.shims_open)
        said.append(f"Shims for the open work: {parts}.")
    return said


def _lasting(one: Durability) -> str:
    what, basis = f"{spaced(one.method)} on {one.model}", f"(n = {one.repairs:,}, {one.ended:,} slipped again)"
    if one.median_days is not None:
        held = f"half last over {one.median_days / 7:.0f} weeks"
    elif one.still_holding_after_90_days is not None:
        held = f"{100 * one.still_holding_after_90_days:.0f} % still hold after 90 days"
    else:
        held = "more than half still hold"
    return f"{what[0].upper()}{what[1:]}: {held} {basis}."
