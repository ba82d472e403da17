"""Which line of a TOML file a key stands on. The text is already known to be valid TOML 1.0.

`tomllib` gives values and no places, so this walks the text once more and notes the line of every table, key and
list element. It is only called when there is something to say.
"""

from __future__ import annotations

import tomllib

from farmwatch.config.faults import KeyPath

__all__ = ["locate"]

_QUOTES = ('"""', "'''", '"', "'")


def locate(text: str) -> dict[KeyPath, int]:
    """Line, counted from 1, of every table, key and list element of a valid TOML text."""
    walk = _Walk(text.replace("\r\n", "\n"))
    walk.document()
    return walk.lines


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}
        """How many tables an array of tables has so far."""

    def document(self) -> None:
        table: KeyPath = ()
        while True:
            self.skip()
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)

    def header(self) -> KeyPath:
        line, many = self.line, self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        keys = self.key()
        self.at += 2 if many else 1
        path: KeyPath = ()
        for place, part in enumerate(keys):
            path = (*path, part)
            if place < len(keys) - 1 and path in self.counts:
                path = (*path, self.counts[path] - 1)
            if not many or place < len(keys) - 1:
                self.note(path, line)
        if many:
            number = self.counts.get(path, 0)
            self.counts[path] = number + 1
            self.note(path, line)
            path = (*path, number)
            self.note(path, line)
        return path

    def pair(self, table: KeyPath) -> None:
        line = self.line
        path: KeyPath = table
        for part in self.key():
            path = (*path, part)
            self.note(path, line)
        self.skip(newlines=False)
        self.at += 1  # the equals sign
        self.skip(newlines=False)
        self.value(path)

    def value(self, path: KeyPath) -> None:
        opening = self.text[self.at]
        if opening in "\"'":
            self.string()
        elif opening in "[{":
            self.at += 1
            self.inside(path, "]" if opening == "[" else "}")
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def inside(self, path: KeyPath, closing: str) -> None:
        number = 0
        while True:
            self.skip()
            if self.text[self.at] == closing:
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
            elif closing == "]":
                self.note((*path, number), self.line)
                self.value((*path, number))
                number += 1
            else:
                self.pair(path)

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(newlines=False)
            start = self.at
            if self.text[self.at] in "\"'":
                self.string()
                parts.append(str(tomllib.loads(f"key = {self.text[start : self.at]}")["key"]))
            else:
                while self.text[self.at].isalnum() or self.text[self.at] in "-_":
                    self.at += 1
                parts.append(self.text[start : self.at])
            self.skip(newlines=False)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def string(self) -> None:
        quote = next(mark for mark in _QUOTES if self.text.startswith(mark, self.at))
        end = self.at + len(quote)
        while not self.text.startswith(quote, end):
            end += 2 if quote[0] == '"' and self.text[end] == "\\" else 1
        end += len(quote)
        # A long string may end in one or two quotes of its own before the closing three.
        while len(quote) == 3 and self.text.startswith(quote[0], end):
            end += 1
        self.line += self.text.count("\n", self.at, end)
        self.at = end

    def skip(self, newlines: bool = True) -> None:
        while self.at < len(self.text):
            here = self.text[self.at]
            if here == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif here == "\n" and newlines:
                self.line += 1
                self.at += 1
            elif here in " \t":
                self.at += 1
            else:
                return

    def note(self, path: KeyPath, line: int) -> None:
        self.lines.setdefault(path, line)
