"""Text as markup, and small tools for drawing: elements of SVG as text, always escaped, no style attributes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup, escape

from farmwatch.text import sanitize

__all__ = ["Drawing", "number", "path", "safe", "whole"]

# A longer word is wider than a narrow screen's column, and must be let break.
_LONGEST_UNBROKEN = 22


def safe(text: str) -> Markup:
    """Foreign text as markup that shows it letter by letter."""
    return escape(sanitize(text))


def whole(text: str) -> Markup:
    """The same, and a short word with a hyphen (a machine's name, an option) is never broken at it."""
    return Markup(" ").join(_unbroken(word) for word in sanitize(text).split(" "))


def _unbroken(word: str) -> Markup:
    kept = "-" in word[1:] and len(word) <= _LONGEST_UNBROKEN
    return Markup('<span class="whole">{}</span>').format(word) if kept else escape(word)


def number(value: float) -> str:
    """A coordinate: one decimal, no trailing zero, no minus zero."""
    text = f"{value:.1f}"
    text = text[:-2] if text.endswith(".0") else text
    return "0" if text == "-0" else text


def path(points: Iterable[Sequence[float]], *, closed: bool = False) -> str:
    """The `d` of a line through points; points that fall on the one before are left out."""
    parts: list[str] = []
    for point in points:
        part = f"{number(point[0])} {number(point[1])}"
        if not parts or parts[-1] != part:
            parts.append(part)
    return "M" + "L".join(parts) + ("Z" if closed else "") if parts else ""


class Drawing:
    """One picture that grows element by element; `key` makes its ids its own within the page."""

    def __init__(self, key: str, width: float, height: float, *, title: str, desc: str = "", kind: str = "") -> None:
        self.width, self.height = width, height
        label = f"{key}-t {key}-d" if desc else f"{key}-t"
        names = f' class="{kind}"' if kind else ""
        self._head = f"<svg{names}"
        self._parts = [f'role="img" aria-labelledby="{label}"><title id="{key}-t">{safe(title)}</title>']
        if desc:
            self._parts.append(f'<desc id="{key}-d">{safe(desc)}</desc>')

    def grow(self, height: float) -> None:
        """Give it a height that was not known when it was begun."""
        self.height = height

    def add(self, tag: str, **attributes: object) -> None:
        """An empty element; `cls` is its class, underscores become hyphens, floats coordinates."""
        self._parts.append(f"<{tag}{_written(attributes)}/>")

    def text(self, words: str, x: float, y: float, **attributes: object) -> None:
        """Words at a place."""
        self._parts.append(f"<text{_written({'x': x, 'y': y, **attributes})}>{safe(words)}</text>")

    def line(self, x1: float, y1: float, x2: float, y2: float, cls: str) -> None:
        """A straight line."""
        self.add("path", cls=cls, d=path([(x1, y1), (x2, y2)]))

    def done(self) -> Markup:
        """The finished picture."""
        wide, high = number(self.width), number(self.height)
        size = f'{self._head} viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" '
        return Markup(size + "".join(self._parts) + "</svg>")


def _written(attributes: dict[str, object]) -> str:
    parts = []
    for name, value in attributes.items():
        if value is None:
            continue
        shown = number(value) if isinstance(value, float) else safe(str(value))
        parts.append(f' {"class" if name == "cls" else name.replace("_", "-")}="{shown}"')
    return "".join(parts)
