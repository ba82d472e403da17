"""A finding as bytes and back, without loss: JSON, in which a dataclass is a list that begins with its number.

Never pickle: the file lies where others may write, and reading it must run nothing.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
import orjson

from farmwatch.follow import Drift, Forecast, Step
from farmwatch.follow.findings import Crossings
from farmwatch.judge.assessment import (
    Assessment,
    FormFacts,
    Plan,
    ReadingFacts,
    ScrewHeight,
    Spike,
    TiltFacts,
    Trace,
)  # fmt: skip
from farmwatch.mesh import Mesh
from farmwatch.model import Model
from farmwatch.times import from_micros, micros

__all__ = ["Finding", "packed", "unpacked"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """What judging said of one machine, before its host, ticket and namesakes are put to it."""

    said: Assessment
    crossings: Crossings | None
    """What its forecast is made from, at any time at which this stands."""
    since: float
    until: float
    """It stands for any time between these, epoch seconds, as long as its fingerprint is the same."""
    borrowed_mm: float | None
    """The noise of a point borrowed from its model's other machines; 0 where none was to be had, None: its own."""


# Numbers below nothing are what JSON has no word for.
_TUPLE, _TIME, _FLOATS, _NUMBER, _ARRAY = 0, -1, -2, -3, -4
_CLASSES: tuple[type[Any], ...] = (
    Finding, Assessment, Crossings, Drift, Forecast, Step, FormFacts, Plan, ReadingFacts, ScrewHeight, Spike, TiltFacts,
    Trace, Mesh,
)  # fmt: skip
_CODES: Mapping[type[Any], int] = {cls: number for number, cls in enumerate(_CLASSES, start=1)}
_FIELDS = tuple(tuple(field.name for field in fields(cls)) for cls in _CLASSES)
_LONG = 16


def packed(finding: Finding) -> bytes:
    """The finding as bytes; its model is left out, since it is known to whoever reads it."""
    return orjson.dumps(_plain(finding))


def unpacked(body: bytes, model: Model) -> Finding:
    """The finding again; raises ValueError, TypeError or LookupError for bytes that are none."""
    found = _value(orjson.loads(body), model)
    if not isinstance(found, Finding):
        raise ValueError("no finding")
    return found


def _plain(value: Any) -> Any:
    kind = type(value)
    if value is None or kind in (str, bool, int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else [_NUMBER, str(float(value))]
    if kind is tuple:
        if len(value) > _LONG and all(type(one) is float for one in value):
            return [_FLOATS, _text(np.array(value, dtype="<f8"))]
        return [_TUPLE, *map(_plain, value)]
    if kind is dict:
        return {key: _plain(one) for key, one in value.items()}
    if kind is datetime:
        return [_TIME, micros(value)]
    if kind is np.ndarray:
        return [_ARRAY, list(value.shape), _text(value.astype("<f8"))]
    if isinstance(value, np.bool_):
        return bool(value)
    code = _CODES[kind]
    return [code, *(_plain(getattr(value, name)) if name != "model" else None for name in _FIELDS[code - 1])]


def _value(plain: Any, model: Model) -> Any:
    kind = type(plain)
    if kind is not list:
        return {key: _value(one, model) for key, one in plain.items()} if kind is dict else plain
    code = plain[0]
    if code == _TUPLE:
        return tuple([_value(one, model) if type(one) in (list, dict) else one for one in plain[1:]])
    if code > 0:
        given = [_value(one, model) if type(one) in (list, dict) else one for one in plain[1:]]
        cls, names = _CLASSES[code - 1], _FIELDS[code - 1]
        whole = dict(zip(names, given, strict=True))
        if cls is Assessment:
            whole["model"] = model
        return cls(**whole)
    if code == _TIME:
        return from_micros(plain[1])
    if code == _FLOATS:
        return tuple(_numbers(plain[1]).tolist())
    if code == _NUMBER:
        return float(plain[1])
    if code == _ARRAY:
        return _numbers(plain[2]).reshape(plain[1])
    raise ValueError(f"no code {code}")


def _text(array: np.ndarray[Any, Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def _numbers(text: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64)
