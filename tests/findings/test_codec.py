"""A finding as bytes: all that can stand in one is known to the codec."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_type_hints

from farmwatch.findings import codec
from farmwatch.findings.codec import Finding
from farmwatch.follow.findings import Drift, Forecast, Step
from farmwatch.judge.assessment import Assessment
from farmwatch.mesh import Mesh
from farmwatch.model import Limits, Model

# Put to it afterwards, or known to whoever reads it.
ADDED = {"OpenTicket", "Model", "Limits"}


def kinds(hint: Any) -> set[type]:
    if is_dataclass(hint) and isinstance(hint, type):
        return {hint}
    return set().union(*map(kinds, get_args(hint))) if get_args(hint) else set()


def test_every_kind_of_value_in_a_finding_has_its_number():
    """A field of another kind must find its way into the codec, or nothing could be kept."""
    from farmwatch.history import OpenTicket

    names = {one.__name__: one for one in (Drift, Forecast, Step, Mesh, Model, Limits, OpenTicket)}
    waiting, seen = [Finding], set()
    while waiting:
        cls = waiting.pop()
        seen.add(cls)
        hints = get_type_hints(cls, localns=names)
        found = set().union(*(kinds(hints[field.name]) for field in fields(cls)))
        waiting += [kind for kind in found if kind not in seen and kind.__name__ not in ADDED]
    assert seen == set(codec._CLASSES)
    assert Assessment in seen
