"""Numbers, days and names as people read them: one way each, whatever the locale or the zone of the process. Pure."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import date, datetime, tzinfo

__all__ = [
    "MINUS",
    "MONTHS",
    "ago",
    "clock",
    "count",
    "day",
    "day_of",
    "did_you_mean",
    "excerpt",
    "joined",
    "mm",
    "nearest",
    "percent",
    "sanitize",
    "shortened",
    "signed",
    "spaced",
]

MINUS = "\N{MINUS SIGN}"
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Cc control (escape among them), Cs lone surrogate, Cf invisible formatting (bidirectional overrides among them), Zl
# and Zp line ends, Co and Cn what no font has to have.
_UNFIT = frozenset({"Cc", "Cs", "Cf", "Zl", "Zp", "Co", "Cn"})


def sanitize(text: object) -> str:
    """The text on one line, as long as it was, of letters and blanks only.

    Line ends and tabs become blanks, what a screen would obey or cannot show becomes U+FFFD.
    """
    line = str(text)
    if line.isascii() and line.isprintable():
        return line
    return "".join(_fit(letter) for letter in line)


def excerpt(text: object, longest: int = 60) -> str:
    """The beginning of a text, sanitized, each run of blanks as one, cut at `longest` characters."""
    line = sanitize(" ".join(str(text)[: 4 * longest].split()))
    return line if len(line) <= longest else line[: longest - 1] + "…"


def _fit(letter: str) -> str:
    if letter in "\n\r\t":
        return " "
    return "\N{REPLACEMENT CHARACTER}" if unicodedata.category(letter) in _UNFIT else letter


def mm(value: float, digits: int = 3) -> str:
    """A length without its unit, three decimals: 0.793; minus is a true minus sign and zero has no sign."""
    text = f"{value:.{digits}f}"
    if text.startswith("-"):
        text = text[1:] if not text.strip("-0.") else MINUS + text[1:]
    return text


def percent(chance: float) -> str:
    """A chance from 0 to 1 in whole per cent; one that is not certain is never said to be: over 99 %, under 1 %."""
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"


def signed(value: float, digits: int = 3) -> str:
    """A length with its sign always shown, but for zero."""
    text = mm(value, digits)
    return text if text.startswith(MINUS) or not text.strip("0.") else "+" + text


def day(value: date, *, year: bool = True) -> str:
    """Mon 23 Nov 2026."""
    text = f"{_DAYS[value.weekday()]} {value.day} {MONTHS[value.month - 1]}"
    return f"{text} {value.year}" if year else text


def day_of(moment: datetime, zone: tzinfo, *, year: bool = True) -> str:
    """The farm's day on which a moment falls: Thu 19 Nov 2026."""
    return day(moment.astimezone(zone).date(), year=year)


def clock(moment: datetime, zone: tzinfo) -> str:
    """Day and farm time of a moment: Mon 23 Nov 2026, 06:00."""
    there = moment.astimezone(zone)
    return f"{day(there.date())}, {there:%H:%M}"


def ago(moment: datetime, at: datetime) -> str:
    """How long before `at` a moment was, in the largest unit that still says something: 3 hours, 12 days, 9 weeks."""
    hours = max(0.0, (at - moment).total_seconds() / 3600.0)
    if hours < 1.5:
        return "within the hour"
    if hours < 48:
        return f"{count(round(hours), 'hour')} ago"
    days = round(hours / 24)
    return f"{count(days, 'day')} ago" if days < 60 else f"{count(round(days / 7), 'week')} ago"


def count(number: int, one: str, many: str | None = None) -> str:
    """1 machine, 2 machines."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def joined(names: Sequence[str], most: int | None = None) -> str:
    """A, B and C; past `most` names the rest is counted."""
    shown = list(names)
    if most is not None and len(shown) > most:
        shown = [*shown[: most - 1], f"{len(names) - most + 1:,} more"]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}" if shown else ""


def spaced(name: str) -> str:
    """A screw's name or a condition as words: front-left becomes front left."""
    return name.replace("-", " ").replace("_", " ")


def shortened(name: str, most: int = 28) -> str:
    """A name cut to what a line has room for; whole names stand behind."""
    name = sanitize(name)
    return name if len(name) <= most else name[: most - 1].rstrip() + "…"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like `word`, case apart; None where none is like it."""
    folded: dict[str, str] = {}
    for name in known:
        folded.setdefault(name.casefold(), name)
    hits = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.65)
    return folded[hits[0]] if hits else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """ "; did you mean heron?" where a known word is like `word`; else empty."""
    like = nearest(word, known)
    return f"; did you mean {sanitize(like)}?" if like else ""
