"""NDJSON: one reading a line."""

from __future__ import annotations

import codecs
import json
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson

from farmwatch.exchange.batch import Line

__all__ = ["ndjson_lines"]

# Small enough that what is parsed stays in the processor's cache: three times as fast as thousands at a time.
_BATCH_LINES = 500
_BATCH_BYTES = 4 << 20
# A mesh of 200 x 200 points takes 1 MB; a line without end must not fill the memory.
_LONGEST_LINE = 8 << 20


def ndjson_lines(file: Path, refuse: Callable[[int, str], None]) -> Iterator[tuple[list[Line], int]]:
    """Batches of parsed lines, and how many bytes are read by then; empty lines are passed over."""
    lines: list[Line] = []
    done = begun = 0
    number = 0
    with file.open("rb", buffering=1 << 20) as source:
        while text := source.readline(_LONGEST_LINE):
            number += 1
            done += len(text)
            if number == 1:
                text = text.removeprefix(codecs.BOM_UTF8)
            if len(text) == _LONGEST_LINE and not text.endswith(b"\n"):
                refuse(number, f"longer than {_LONGEST_LINE >> 20} MiB")
                done += _skip_line(source.readline)
                continue
            try:
                parsed = orjson.loads(text)
            except ValueError as fault:
                if text.strip():
                    refuse(number, f"not JSON: {fault}")
                continue
            if not isinstance(parsed, dict):
                refuse(number, "wants one JSON object a line")
            elif text.count(b'":') != len(parsed) and (twice := _twice(text)) is not None:
                # Which of the two is meant, only its writer knows.
                refuse(number, f"{twice[:60]!r} stands twice in it")
            else:
                lines.append((number, parsed))
            if len(lines) >= _BATCH_LINES or done - begun >= _BATCH_BYTES:
                yield lines, done
                lines, begun = [], done
    yield lines, done


def _twice(text: bytes) -> str | None:
    """The first name that the object of a line holds twice; slow, so asked only where the number of names is odd."""
    names: list[str] = []

    def note(pairs: list[tuple[str, object]]) -> None:
        # The outermost object comes last.
        names[:] = [name for name, _ in pairs]

    try:
        json.loads(text, object_pairs_hook=note)
    except (ValueError, RecursionError):
        # Numbers or depths beyond all sense, which the rules on readings refuse.
        return None
    return next((name for name, times in Counter(names).items() if times > 1), None)


def _skip_line(readline: Callable[[int], bytes]) -> int:
    skipped = 0
    while text := readline(_LONGEST_LINE):
        skipped += len(text)
        if text.endswith(b"\n"):
            break
    return skipped
