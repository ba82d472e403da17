"""A JSONPath (RFC 9535), compiled once per mapping. A plain `$.a.b[0]` is walked by hand, a hundred times cheaper."""

from __future__ import annotations

from itertools import islice
from typing import Any

from jsonpath import JSONPath, JSONPathEnvironment
from jsonpath.exceptions import JSONPathError
from jsonpath.segments import JSONPathChildSegment
from jsonpath.selectors import IndexSelector, NameSelector

from farmwatch.collect.faults import PollError

__all__ = ["MISSING", "MOST_NODES", "Lookup"]

MOST_NODES = 50_000
"""More nodes than this are not looked at: no bed has so many points."""


class _Missing:
    def __repr__(self) -> str:
        return "MISSING"


MISSING: Any = _Missing()
"""What a lookup gives where nothing stands; null is None."""

_ENVIRONMENT = JSONPathEnvironment(strict=True)


class Lookup:
    """One JSONPath; `singular` where it can name one place only."""

    __slots__ = ("_path", "_steps", "singular", "text")

    def __init__(self, text: str) -> None:
        self.text = text
        try:
            self._path = _ENVIRONMENT.compile(text)
        except JSONPathError as error:
            raise ValueError(f"{text!r} is no JSONPath: {error}") from None
        self._steps = _plain_steps(self._path)
        self.singular = self._steps is not None or (isinstance(self._path, JSONPath) and self._path.singular_query())

    def one(self, document: Any) -> Any:
        """The value at the path, MISSING where there is none; PollError where a path of many places finds several."""
        if self._steps is None:
            found = self.all(document, most=2)
            if len(found) > 1:
                raise PollError("garbled", f"{self.text} finds several values and must name one")
            return found[0] if found else MISSING
        for step in self._steps:
            if type(document) is dict and type(step) is str:
                document = document.get(step, MISSING)
            elif type(document) is list and type(step) is int and -len(document) <= step < len(document):
                document = document[step]
            else:
                return MISSING
        return document

    def all(self, document: Any, most: int = MOST_NODES) -> list[Any]:
        """Every value the path finds, at most `most` of them."""
        if self._steps is not None:
            found = self.one(document)
            return [] if found is MISSING else [found]
        if type(document) not in (dict, list):
            # Nothing stands within a text, which the library would take for a document yet to be read.
            return []
        try:
            return [match.obj for match in islice(self._path.finditer(document), most)]
        except (JSONPathError, RecursionError):
            raise PollError("garbled", f"{self.text} cannot be followed: the answer is nested too deeply") from None


def _plain_steps(path: Any) -> tuple[str | int, ...] | None:
    """Names and indices of a path that has nothing else; None for any other path."""
    steps: list[str | int] = []
    for segment in path.segments:
        selectors = segment.selectors
        if not isinstance(segment, JSONPathChildSegment) or len(selectors) != 1:
            return None
        selector = selectors[0]
        if isinstance(selector, NameSelector):
            steps.append(selector.name)
        elif isinstance(selector, IndexSelector):
            steps.append(selector.index)
        else:
            return None
    return tuple(steps)
