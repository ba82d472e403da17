"""The week in one sentence. Pure."""

from __future__ import annotations

from collections.abc import Container, Sequence

from farmwatch.judge import Assessment
from farmwatch.report.work_sheets import machines_needing_work
from farmwatch.text import count, mm, shortened

__all__ = ["past_in_parts", "summary_sentence"]


def summary_sentence(
    everyone: Sequence[Assessment],
    needing_before: int | None,
    due: int,
    accepted: Container[str] = (),
) -> str:
    """The farm now, against the machines that needed hands a week before (None: there is no week before).

    due: how many are due within four weeks. accepted: machines past the limit that are accepted as they are.
    """
    if not everyone:
        return "No machine is configured yet, so there is nothing to report."
    working = [m for m in everyone if m.in_service]
    needing = machines_needing_work(working, accepted)
    known = [m for m in working if m.condition != "unknown"]
    if not known:
        return f"None of the {count(len(everyone), 'machine')} has a mesh that can be judged yet."
    if needing:
        worst = needing[0]
        verb = "needs" if len(needing) == 1 else "need"
        head = (
            f"{len(needing):,} of {count(len(working), 'machine')} {verb} hands{_against(len(needing), needing_before)}"
        )
        head += f"; the worst is {shortened(worst.machine)} with a range of {mm(worst.condition_range_mm or 0.0)} mm"
    else:
        head = _nobody(working, known, accepted)
    tails = []
    if due:
        more = "more " if needing else ""
        tails.append(f"{due:,} {more}{'is' if due == 1 else 'are'} due within four weeks")
    silent = sum(m.silent for m in working)
    if silent:
        tails.append(f"{count(silent, 'host is', 'hosts are')} silent")
    return "; ".join([head, *tails]) + "."


def past_in_parts(hands: int, accepted: int, floor: int) -> str:
    """What the machines past the limit consist of, so that the numbers of the page add up; empty where all need hands.

    10 need hands, 1 accepted, 1 as good as teeth allow.
    """
    if not (accepted or floor):
        return ""
    parts = [f"{hands:,} {'needs' if hands == 1 else 'need'} hands"] if hands else []
    parts += [f"{accepted:,} accepted as {'it is' if accepted == 1 else 'they are'}"] if accepted else []
    parts += [f"{floor:,} as good as teeth allow"] if floor else []
    return ", ".join(parts)


def _nobody(working: Sequence[Assessment], known: Sequence[Assessment], accepted: Container[str]) -> str:
    left = sum(m.machine in accepted for m in known)
    floor = sum(m.condition == "past-limit" for m in known) - left
    within = len(known) - floor - left
    everyone = "The one machine" if len(working) == 1 else f"All {len(working):,} machines"
    if within == len(working):
        verb = "is" if within == 1 else "are"
        return f"No machine needs hands: {everyone[0].lower()}{everyone[1:]} in service {verb} within the usable limit"
    verb = "is" if within == 1 else "are"
    parts = [f"{within:,} of {count(len(working), 'machine')} in service {verb} within the limit"]
    if floor:
        parts.append(f"{floor:,} {'is' if floor == 1 else 'are'} as good as teeth allow")
    if left:
        parts.append(f"{left:,} {'is' if left == 1 else 'are'} accepted as {'it is' if left == 1 else 'they are'}")
    missing = len(working) - len(known)
    if missing:
        parts.append(f"{missing:,} {'has' if missing == 1 else 'have'} no mesh to judge")
    return "No machine needs its screws turned: " + ", ".join(parts)


def _against(hands: int, was: int | None) -> str:
    if was is None:
        return ""
    if was == hands:
        return ", as many as a week ago"
    return f", {abs(hands - was):,} {'more' if hands > was else 'fewer'} than a week ago"
