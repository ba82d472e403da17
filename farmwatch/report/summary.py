"""The head of the first page: the farm in two or three sentences. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from farmwatch.judge import Assessment
from farmwatch.judge.tables import ADVICE, CAUSES
from farmwatch.report.decisions import Decision
from farmwatch.report.groups import Groups
from farmwatch.report.labour import Labour, work_of
from farmwatch.text import count, mm, shortened

__all__ = ["past_in_parts", "summary_sentence"]


def summary_sentence(
    everyone: Sequence[Assessment],
    groups: Groups,
    before: Groups | None,
    labour: Labour,
    decisions: Sequence[Decision],
    failed: int,
) -> str:
    """Need of work and what it takes, repairs that failed, and the worst machine.

    before: the farm a week ago; None on a first report. failed: tickets whose repair failed its check and that nobody
    has answered since.
    """
    if not everyone:
        return "No machine is configured yet, so there is nothing to report."
    if all(m.condition == "unknown" for m in groups.working):
        return f"None of the {count(len(everyone), 'machine')} has a mesh that can be judged yet."
    if not groups.needing:
        return _nobody(groups)
    many = len(groups.needing)
    said = [f"{many:,} of {count(len(groups.working), 'machine')} {'needs' if many == 1 else 'need'} work"]
    said[0] += _against(groups, before) + "."
    if failed:
        said.append(f"{count(failed, 'repair')} failed {'its' if failed == 1 else 'their'} check.")
    if labour.hours:
        parts = f" and {labour.parts}" if labour.parts else ""
        said.append(f"The open work takes about {hours(labour.hours)}{parts}.")
    said.append(_worst(groups.needing[0], labour, decisions))
    return " ".join(said)


def hours(value: float) -> str:
    """Hours as planned, to the quarter: sums of them are printed as what is printed adds up to."""
    return f"{round(value * 4) / 4:g} h"


def past_in_parts(groups: Groups) -> str:
    """What the machines past the limit consist of, so that the numbers of the page add up; empty where all need work.

    9 need work, 1 awaits its check, 1 accepted, 1 as good as teeth allow.
    """
    needing, floor = len(groups.needing), len(groups.floor)
    accepted = len(groups.accepted)
    awaiting = groups.past - needing - floor - accepted
    if not (awaiting or accepted or floor):
        return ""
    parts = [f"{needing:,} {'needs' if needing == 1 else 'need'} work"] if needing else []
    parts += [f"{awaiting:,} {'awaits its' if awaiting == 1 else 'await their'} check"] if awaiting else []
    parts += [f"{accepted:,} accepted as {'it is' if accepted == 1 else 'they are'}"] if accepted else []
    parts += [f"{floor:,} as good as teeth allow"] if floor else []
    return ", ".join(parts)


def _worst(machine: Assessment, labour: Labour, decisions: Sequence[Decision]) -> str:
    said = f"Worst: {shortened(machine.machine)}, {mm(machine.condition_range_mm or 0.0, 2)} mm"
    cause = CAUSES[machine.cause].short
    said += f" ({cause})" if cause else ""
    mine = next((one for one in decisions if one.machine == machine.machine), None)
    if mine is not None and mine.overdue_days:
        said += f", {count(mine.overdue_days, 'day')} overdue"
    work = work_of(machine)
    if work:
        said += f"; {ADVICE[work[0]].work}, about {hours(labour.each.get(machine.machine, 0.0))}"
    if mine is not None:
        whom = mine.waits_for if mine.waits_for not in ("manager", "bench") else f"the {mine.waits_for}"
        said += f", waits for {shortened(whom, 20)}"
    return said + "."


def _against(groups: Groups, before: Groups | None) -> str:
    if before is None:
        return ""
    now, was = ({m.machine for m in some.needing} for some in (groups, before))
    return f" ({len(now - was):,} new, {len(was - now):,} cleared since last week)"


def _nobody(groups: Groups) -> str:
    working = groups.working
    known = [m for m in working if m.condition != "unknown"]
    within = len(known) - groups.past
    if within == len(working):
        everyone = "the one machine" if within == 1 else f"all {within:,} machines"
        return f"No machine needs work: {everyone} in service {'is' if within == 1 else 'are'} within the usable limit."
    parts = [
        f"{within:,} of {count(len(working), 'machine')} in service {'is' if within == 1 else 'are'} within the limit"
    ]
    parts += [said] if (said := past_in_parts(groups)) else []
    missing = len(working) - len(known)
    if missing:
        parts.append(f"{missing:,} {'has' if missing == 1 else 'have'} no mesh to judge")
    return "No machine needs its screws turned: " + ", ".join(parts) + "."
