"""Damage to real answers: bytes lost, doubled and changed; values, names and shapes of JSON put in the wrong place."""

from __future__ import annotations

import json
from random import Random
from typing import Any

__all__ = ["mutated"]

ODD: tuple[Any, ...] = (
    None, True, False, "", "abc", "1.5", "NaN", 0, -0.0, 1e308, -1e308, 5e-324, 10**400, 2**63, [], {}, [[]], [None],
    [[1]], [[[1]]], {"x": {}}, "\u0000\u001b[31m", "\ud7ff", "a" * 300, [0] * 500, [[0] * 3] * 3, [1, 2, "3"], 9e15,
)  # fmt: skip
TOKENS = (
    b"NaN", b"Infinity", b"-Infinity", b"null", b"true", b'"', b"[", b"]", b"{", b"}", b",", b"-", b"1e999", b"\xff",
    b"\x00", b"\xef\xbb\xbf", b"[" * 2000, b'{"a":' * 1500,
)  # fmt: skip


def mutated(body: bytes, rng: Random) -> bytes:
    """One to three kinds of damage at random places."""
    for _ in range(rng.randint(1, 3)):
        body = rng.choice((_bytes, _shape, _shape))(body, rng)
    return body


def _bytes(body: bytes, rng: Random) -> bytes:
    start = rng.randint(0, len(body))
    end = min(len(body), start + rng.choice((0, 1, 1, 2, 10, 200)))
    return rng.choice(
        (
            body[:start] + body[end:],
            body[:start],
            body[:start] + body[start:end] * 2 + body[end:],
            body[:start] + rng.choice(TOKENS) + body[end:],
            body[:start] + rng.randbytes(max(1, end - start)) + body[end:],
        )
    )


def _shape(body: bytes, rng: Random) -> bytes:
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        return _bytes(body, rng)
    places: list[tuple[Any, Any]] = []
    waiting = [document]
    while waiting and len(places) < 3000:
        value = waiting.pop()
        if isinstance(value, dict | list):
            keys = list(value) if isinstance(value, dict) else list(range(len(value)))
            places += [(value, key) for key in keys]
            waiting += [value[key] for key in keys]
    if not places:
        return json.dumps(rng.choice(ODD)).encode()
    for _ in range(rng.choice((1, 1, 3, 20))):
        parent, key = rng.choice(places)
        try:
            rng.choice((_replace, _remove, _swap, _copy))(parent, key, rng, places)
        except (KeyError, IndexError):
            # An earlier change has taken the place away.
            continue
    try:
        return json.dumps(document).encode("utf-8", "surrogatepass")
    except (ValueError, RecursionError):
        # It was put into itself.
        return body


def _replace(parent: Any, key: Any, rng: Random, _places: list[Any]) -> None:
    parent[key] = rng.choice(ODD)


def _remove(parent: Any, key: Any, _rng: Random, _places: list[Any]) -> None:
    del parent[key]


def _swap(parent: Any, key: Any, rng: Random, places: list[Any]) -> None:
    other, place = rng.choice(places)
    parent[key], other[place] = other[place], parent[key]


def _copy(parent: Any, key: Any, rng: Random, places: list[Any]) -> None:
    other, place = rng.choice(places)
    parent[key] = other[place]
