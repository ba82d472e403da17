"""Where labels go on a drawing so that none lies on another. Greedy: the first free place of a short list."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Box", "LabelPlacer"]

# Mean width of a letter of a text face, in its size; generous, since the reader's face is not known.
_LETTER_WIDTH = 0.56


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, x to the right and y down."""

    x0: float
    y0: float
    x1: float
    y1: float

    def meets(self, other: Box) -> float:
        """The area that both cover."""
        wide = min(self.x1, other.x1) - max(self.x0, other.x0)
        high = min(self.y1, other.y1) - max(self.y0, other.y0)
        return max(0.0, wide) * max(0.0, high)

    def within(self, other: Box) -> bool:
        """Whether it lies wholly inside another."""
        return self.x0 >= other.x0 and self.y0 >= other.y0 and self.x1 <= other.x1 and self.y1 <= other.y1


class LabelPlacer:
    """Keeps what is taken inside a frame; `letter` is the size of the labels."""

    def __init__(self, inside: Box, letter: float) -> None:
        self._inside = inside
        self._letter = letter
        self._taken: list[Box] = []

    def reserve(self, x: float, y: float, reach: float) -> None:
        """A mark stands here."""
        self._taken.append(Box(x - reach, y - reach, x + reach, y + reach))

    def beside(self, x: float, y: float, words: str) -> tuple[float, float]:
        """Left end and baseline for words near a mark: the place around it that hides least, always in the frame."""
        wide, high = self._size(words)
        gap = 10.0
        spots = [
            (x + gap, y - high / 2),
            (x - gap - wide, y - high / 2),
            (x - wide / 2, y - gap - high),
            (x - wide / 2, y + gap),
            (x + gap / 2, y - gap - high),
            (x - gap / 2 - wide, y - gap - high),
            (x + gap / 2, y + gap),
            (x - gap / 2 - wide, y + gap),
            (x - wide / 2, y - gap - 2 * high),
            (x - wide / 2, y + gap + high),
        ]
        boxes = [self._pushed(Box(left, top, left + wide, top + high)) for left, top in spots]
        best = min(boxes, key=self._hidden)
        self._taken.append(best)
        return best.x0, best.y1 - 0.25 * self._letter

    def take_turned(self, x: float, y: float, words: str, degrees: float) -> bool:
        """Take the place of words centred here and turned, if it is free and inside; says whether it was."""
        wide, high = self._size(words)
        turn = math.radians(degrees)
        reach_x = (abs(wide * math.cos(turn)) + abs(high * math.sin(turn))) / 2
        reach_y = (abs(wide * math.sin(turn)) + abs(high * math.cos(turn))) / 2
        box = Box(x - reach_x, y - reach_y, x + reach_x, y + reach_y)
        if not box.within(self._inside) or self._hidden(box) > 0.0:
            return False
        self._taken.append(box)
        return True

    def _size(self, words: str) -> tuple[float, float]:
        return len(words) * self._letter * _LETTER_WIDTH, 1.1 * self._letter

    def _hidden(self, box: Box) -> float:
        return sum(box.meets(other) for other in self._taken)

    def _pushed(self, box: Box) -> Box:
        """The box moved by as little as keeps it in the frame."""
        wide, high = box.x1 - box.x0, box.y1 - box.y0
        x0 = max(min(box.x0, self._inside.x1 - wide - 4), self._inside.x0 + 4)
        y0 = max(min(box.y0, self._inside.y1 - high - 3), self._inside.y0 + 3)
        return Box(x0, y0, x0 + wide, y0 + high)
