"""What the farm learns from its tickets, in sentences: how long repairs last, how often we were right, what is needed.

Pure. Machines and methods only; nobody's name and nobody's times.
"""

from __future__ import annotations

from farmwatch.text import count, mm, spaced
from farmwatch.tickets import Durability, Figures

__all__ = ["figure_sentences"]


def figure_sentences(figures: Figures) -> tuple[str, ...]:
    """A sentence each, without what cannot be said yet; repairs are told of from eight of one model and method on."""
    said = [f"{count(figures.open_tickets, 'ticket is', 'tickets are')} open."]
    told = [one for one in figures.durability if one.repairs >= Durability.REPAIRS_NEEDED]
    said += [_lasting(one) for one in told]
    few = sum(one.repairs for one in figures.durability) - sum(one.repairs for one in told)
    if few:
        said.append(
            f"How long {'other ' if told else ''}repairs last is not known yet: that takes "
            f"{Durability.REPAIRS_NEEDED} proven ones of one kind on one model; so far {few:,} of any kind."
        )
    proven, decided = figures.first_try
    if decided:
        said.append(f"Proven at the first try: {proven:,} of {decided:,}.")
    right, looked = figures.looked_at
    if looked:
        verb = "was" if right == 1 else "were"
        said.append(f"Of {looked:,} flagged and looked at in 12 weeks, {right:,} {verb} confirmed at the machine.")
    if figures.hours_each is not None and figures.hours_open:
        said.append(
            f"Hands for the open work: about {figures.hours_open:.1f} hours, at this farm's median of "
            f"{figures.hours_each:.1f} a ticket (n = {figures.hours_timed:,})."
        )
    if figures.shims_open:
        parts = ", ".join(f"{number:,} of {mm(thick, 2)} mm" for thick, number in figures.shims_open)
        said.append(f"Shims for the open work: {parts}.")
    return tuple(said)


def _lasting(one: Durability) -> str:
    what, basis = f"{spaced(one.method)} on {one.model}", f"(n = {one.repairs:,}, {one.ended:,} came back)"
    if one.median_days is not None:
        held = f"half last over {one.median_days / 7:.0f} weeks"
    elif one.still_holding_after_90_days is not None:
        held = f"{100 * one.still_holding_after_90_days:.0f} % still hold after 90 days"
    else:
        held = "more than half still hold"
    return f"{what[0].upper()}{what[1:]}: {held} {basis}."
