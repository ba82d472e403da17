"""Texts that hosts, files and people may send, hostile in every way that is known."""

from __future__ import annotations

import unicodedata

__all__ = ["MACHINE", "TEXTS", "steers", "typed"]

TEXTS = {
    "newline": "a\r\nBcc: thief@example.org\r\n\r\nb\nc",
    "ansi": "\x1b[31mred\x1b]0;title\x07\x9b2J",
    "markup": "</p><script>alert(1)</script>&amp;[bold red]x[/][link=http://x]y[/link]",
    "formula": "=cmd|' /C calc'!A0,\"",
    "right to left": "abc\u202egpj.exe\u2066\u200f",
    "nul": "a\x00b",
    "half a pair": "a\ud800b",
    "line ends": "a\u2028b\u2029c\x85d\x0be",
    "template": "{{ 7 * 7 }}{% raw %}${HOME}$(id)`id`%n%s",
}
# What a configuration lets a name be: printable.
MACHINE = "=1+1|<marquee>[red]&\"'%n{{ 7*7 }}"


def steers(text: str, allowed: str = "\n") -> set[str]:
    """Characters that a screen, a page or a reader would obey."""
    kinds = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    return {letter for letter in text if unicodedata.category(letter) in kinds and letter not in allowed}


def typed(text: str) -> str:
    """As a person can type it: valid Unicode."""
    return text.encode("utf-8", "replace").decode("utf-8")
