"""How one value of the configuration is read: from TOML or CSV text to the type it has in the settings.

Every function takes the raw value and gives the typed one, passes an already typed one through, and raises
ValueError with what is wrong beside the field's own description of what is wanted.
"""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import cache, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ValidationInfo

from farmwatch.config.secret import Secret, names_a_secret
from farmwatch.text import nearest

__all__ = [
    "DAYS", "FILL_IN", "LONGEST_NAME", "address", "clock_minutes", "columns", "coordinate", "days", "file_path",
    "folder_path", "holidays", "hook_address", "is_loopback", "json_path", "listen", "literal_fault", "mail_address",
    "media_type", "name", "named_rightly", "named_values", "networks", "number", "numbers", "secret",
    "time_format", "time_zone", "url_path",
]  # fmt: skip

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
LONGEST_NAME = 80
FILL_IN = "FILL IN"
"""How a value begins that stands in the place of one that only a person knows; never taken for it."""
LONGEST_JSONPATH = 500
# Parts of a path as long as this, and not of plain words, are taken for a key.
LEAST_KEY = 16
# Every length of a farm is in mm; a hundred metres of bed are a slip of the finger.
LARGEST_NUMBER = 1e5

HARMLESS_HEADERS = frozenset({"accept", "accept-charset", "accept-language", "cache-control", "user-agent"})
HARMLESS_QUERY = frozenset(
    {"count", "fields", "format", "lang", "language", "latest", "limit", "n", "offset", "page", "size", "sort", "view"}
)  # fmt: skip
# Words in the name of a query parameter behind which a key hides.
_SECRET_WORD = re.compile(r"key|token|secret|pass|pwd|auth|sig|credential|session|bearer|jwt|code|hash|pin\b", re.I)
_PLAIN_WORD = re.compile(r"[A-Za-z][A-Za-z_.,-]{0,39}|\d{1,6}|\{machine\}")
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+\Z")
_QUERY_NAME = re.compile(r"[\x21-\x7e]+\Z")
_MEDIA_TYPE = re.compile(
    r"[A-Za-z0-9!#$&^_.+-]{1,60}/[A-Za-z0-9!#$&^_.+-]{1,60}(; ?[A-Za-z0-9!#$&^_.+-]+=[A-Za-z0-9!#$&^_.+-]+)*"
)
# Names, whole numbers and wildcards one after another: all that most mappings need, and right by RFC 9535 as it stands.
_PLAIN_JSONPATH = re.compile(
    r"\$(?:\.[A-Za-z_][A-Za-z0-9_]*|\.\*|\[\*\]|\[(?:0|-?[1-9][0-9]{0,8})\]|\['[A-Za-z0-9_ .:-]*'\])*"
)
_LITERAL = 'a literal value must not stand here; write "env:NAME" or "file:PATH"'


def number(value: object) -> float:
    """A finite number; a bool is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("it is not a number")
    try:
        found = float(value)
    except OverflowError:
        raise ValueError("it is too large") from None
    if not math.isfinite(found):
        raise ValueError("it is not finite")
    if abs(found) > LARGEST_NUMBER:
        raise ValueError(f"it is beyond {LARGEST_NUMBER:g}")
    return found


def numbers(least: int, most: int | None = None) -> Callable[[object], tuple[float, ...]]:
    """A reader of a list of `least` to `most` finite numbers."""

    def read(value: object) -> tuple[float, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError("it is not a list")
        if len(value) < least or (most is not None and len(value) > most):
            raise ValueError(f"it has {len(value)}")
        return tuple(number(item) for item in value)

    return read


def name(value: object) -> str:
    """Any printable text without blanks at its ends; `<script>` is as good as any."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    if not value:
        raise ValueError("it is empty")
    if value != value.strip():
        raise ValueError("it has blanks at an end")
    if not value.isprintable():
        raise ValueError("it has a control or invisible character")
    if len(value) > LONGEST_NAME:
        raise ValueError(f"it has {len(value)} characters")
    return value


def time_format(value: object) -> str:
    """A format of day and time, in the letters of `datetime.strptime`."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    sample = datetime(2026, 11, 23, 17, 58, tzinfo=UTC)
    try:
        written = sample.strftime(value)
        read = datetime.strptime(written, value).replace(tzinfo=UTC)
    except ValueError:
        raise ValueError("no time can be read by it") from None
    if read != sample:
        raise ValueError("it leaves out the day, month, year, hour or minute")
    return value


def time_zone(value: object) -> ZoneInfo:
    """An IANA time zone."""
    if isinstance(value, ZoneInfo):
        return value
    if not isinstance(value, str):
        raise ValueError("it is not text")
    if value in available_zones():
        return ZoneInfo(value)
    like = nearest(value, available_zones())
    raise ValueError("no such zone" + (f"; did you mean {like}?" if like else ""))


@cache
def available_zones() -> frozenset[str]:
    """Every zone this computer knows; the walk through them is made once."""
    return frozenset(available_timezones())


def folder_path(value: object, info: ValidationInfo) -> Path:
    """A path; a relative one starts from the file's folder."""
    if isinstance(value, Path):
        return value
    if not isinstance(value, str) or not value or "\0" in value:
        raise ValueError("it is not a path")
    context: dict[str, Any] = info.context or {}
    folder: Path = context.get("folder", Path())
    try:
        return folder / Path(value).expanduser()
    except RuntimeError:
        raise ValueError("that home folder is not known") from None


def file_path(value: object, info: ValidationInfo) -> Path:
    """A path, as `folder_path` has it, of a file that may still be to come."""
    path = folder_path(value, info)
    if not path.name or path.is_dir():
        raise ValueError("it is a folder")
    return path


def days(text: str) -> frozenset[int]:
    """Weekdays from "mon-fri", "mon,wed" or "sat"; Monday is 0."""
    found: set[int] = set()
    for part in text.lower().split(","):
        ends = [DAYS.index(day) if day in DAYS else -1 for day in part.split("-")]
        if -1 in ends or len(ends) > 2:
            raise ValueError(f'"{part}" is no day; days are {", ".join(DAYS)}' if part.isprintable() else "no such day")
        # fri-mon runs over the end of the week.
        last = ends[-1] + (7 if ends[-1] < ends[0] else 0)
        found.update(day % 7 for day in range(ends[0], last + 1))
    return frozenset(found)


def clock_minutes(text: str, *, latest: int = 24 * 60 - 1) -> int:
    """Minutes of the day from "06:00"."""
    match = re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", text)
    minutes = int(match[1]) * 60 + int(match[2]) if match and int(match[2]) < 60 else -1
    if not 0 <= minutes <= latest:
        raise ValueError("it has no time such as 06:00")
    return minutes


def holidays(value: object) -> frozenset[date]:
    """Dates without a time."""
    if not isinstance(value, list | tuple | frozenset | set):
        raise ValueError("it is not a list")
    if any(isinstance(item, datetime) or not isinstance(item, date) for item in value):
        raise ValueError("it holds something that is no date")
    return frozenset(value)


def json_path(value: object) -> str:
    """A JSONPath as RFC 9535 has it, and nothing beyond."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    if len(value) > LONGEST_JSONPATH:
        raise ValueError(f"it is longer than {LONGEST_JSONPATH} characters")
    if not value.startswith("$"):
        raise ValueError("a JSONPath begins with $")
    wrong = "" if _PLAIN_JSONPATH.fullmatch(value) else _fault_of_json_path(value)
    if wrong:
        raise ValueError(wrong)
    return value


@lru_cache(maxsize=4096)
def _fault_of_json_path(text: str) -> str:
    from jsonpath import JSONPathEnvironment  # slow to import, and few configurations need it
    from jsonpath.exceptions import JSONPathError

    try:
        JSONPathEnvironment(strict=True).compile(text)
    except (JSONPathError, RecursionError, ValueError) as error:
        # Only the first argument is plain; the error's own text draws a picture over several lines.
        reason = str(error.args[0]) if isinstance(error, JSONPathError) and error.args else "it cannot be read"
        place = getattr(getattr(error, "token", None), "index", None)
        reason = "it cannot be read" if "TOKEN_" in reason else reason
        return reason + (f" at character {place + 1}" if isinstance(place, int) and place >= 0 else "")
    return ""


def coordinate(value: object) -> str | tuple[str, str] | tuple[float, ...]:
    """A JSONPath, two JSONPaths (the ends), or numbers: every coordinate or the two ends."""
    if isinstance(value, str) and value.startswith(FILL_IN):
        raise ValueError("it is not filled in yet")
    if isinstance(value, str):
        return json_path(value)
    if not isinstance(value, list | tuple) or len(value) < 2:
        raise ValueError("it is none of these")
    if all(isinstance(item, str) for item in value):
        if len(value) != 2:
            raise ValueError(f"it has {len(value)} JSONPaths")
        return json_path(value[0]), json_path(value[1])
    line = numbers(2)(value)
    rises = [after - before for before, after in pairwise(line)]
    if not (all(rise > 0 for rise in rises) or all(rise < 0 for rise in rises)):
        raise ValueError("the numbers must run one way without repeats")
    return line


def columns(value: object) -> int | str:
    """How many heights stand in a row, or the JSONPath that says so."""
    if isinstance(value, int) and not isinstance(value, bool):
        if 3 <= value <= 1000:
            return value
        raise ValueError("it is out of range")
    return json_path(value)


def address(value: object) -> str:
    """An http or https address of a host: no user, password, query or fragment."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    if not value.isprintable() or " " in value:
        raise ValueError("it has a blank or a control character")
    try:
        parts = urlsplit(value)
        host, _port = parts.hostname, parts.port
    except ValueError:
        raise ValueError("it is no address") from None
    if "@" in parts.netloc:
        raise ValueError("it carries a user or a password; send them as a header from env: or file:")
    if "?" in value:
        raise ValueError("it carries a query; name it under the mapping's query, from env: or file:")
    if "#" in value:
        raise ValueError("it carries a # part, which no host gets to see")
    if parts.scheme.lower() not in ("http", "https"):
        raise ValueError("it is neither http:// nor https://")
    if not host:
        raise ValueError("it names no host")
    return value


def hook_address(value: object, info: ValidationInfo) -> str | Secret:
    """An address as of a host, or the source of one in which a key stands."""
    if isinstance(value, Secret) or (isinstance(value, str) and names_a_secret(value)):
        return secret(value, info)
    plain = address(value)
    if any(_looks_like_a_key(part) for part in urlsplit(plain).path.split("/")):
        raise ValueError("a key may stand in its path; name the whole address from env: or file:")
    return plain


def _looks_like_a_key(part: str) -> bool:
    """Long, and of letters and figures mixed or of both cases: no word that a person would choose."""
    return len(part) >= LEAST_KEY and (
        bool(re.search(r"\d", part) and re.search(r"[A-Za-z]", part))
        or bool(re.search(r"[a-z][A-Z]", part) and re.search(r"[A-Z]{2}|[A-Z][a-z][A-Z]", part))
    )


def media_type(value: object) -> str:
    """A media type with its parameters (RFC 6838)."""
    if not isinstance(value, str) or not _MEDIA_TYPE.fullmatch(value):
        raise ValueError("it is no media type")
    return value


def url_path(value: object) -> str:
    """What is joined to the machine's address; {machine} may stand in it; no secret may."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    if not value.startswith("/"):
        raise ValueError("it does not begin with /")
    if not value.isprintable() or " " in value:
        raise ValueError("it has a blank or a control character")
    if "#" in value:
        raise ValueError("it carries a # part, which no host gets to see")
    if set("{}") & set(value.replace("{machine}", "")):
        raise ValueError("nothing but {machine} may stand in braces")
    _, mark, query = value.partition("?")
    if mark:
        for key, text in parse_qsl(query, keep_blank_values=True):
            if _SECRET_WORD.search(key) or not _PLAIN_WORD.fullmatch(text or "x") or not _PLAIN_WORD.fullmatch(key):
                raise ValueError("a key may stand in its query; name it under query, from env: or file:")
    return value


def secret(value: object, info: ValidationInfo) -> Secret:
    """A value that is named and never written."""
    if isinstance(value, Secret):
        return value
    if not isinstance(value, str) or not names_a_secret(value):
        raise ValueError(_LITERAL)
    context: dict[str, Any] = info.context or {}
    return Secret(value, context.get("folder", Path()))


def named_values(table: object, info: ValidationInfo) -> dict[str, str | Secret]:
    """Headers or query parameters: those that name a secret become one, the rest stay text.

    Which of the rest may stay is a rule of its own (`farmwatch.config.rules`), so that each gets its own line.
    """
    if not isinstance(table, dict):
        raise ValueError("it is not a table")
    context: dict[str, Any] = info.context or {}
    folder = context.get("folder", Path())
    return {
        str(key): Secret(value, folder) if isinstance(value, str) and names_a_secret(value) else value
        for key, value in table.items()
    }


def named_rightly(kind: str, key: str) -> bool:
    """Whether a header or query parameter has a name that may stand there."""
    return bool(_LITERALS[kind][0].match(key))


def literal_fault(kind: str, key: str, value: object) -> str:
    """What is wrong with a header or query parameter; empty where nothing is. Never holds the value."""
    shape, harmless, examples = _LITERALS[kind]
    if not shape.match(key):
        return "its name has a character that may not stand there"
    if isinstance(value, str) and names_a_secret(value):
        return ""
    if key.lower() not in harmless:
        return f"{_LITERAL} (only {examples} may be literal)"
    if not isinstance(value, str) or not value.isprintable():
        return "wanted printable text"
    return ""


_LITERALS = {
    "headers": (_HEADER_NAME, HARMLESS_HEADERS, "Accept, Accept-Language, User-Agent and the like"),
    "query": (_QUERY_NAME, HARMLESS_QUERY, "format, limit, page and the like"),
}


def listen(value: object) -> str:
    """Where the service listens: host:port, a numeric address or localhost."""
    if not isinstance(value, str):
        raise ValueError("it is not text")
    try:
        parts = urlsplit(f"//{value}")
        host, port = parts.hostname, parts.port
        if host != "localhost":
            ipaddress.ip_address(host or "")
    except ValueError:
        raise ValueError("it is no numeric address with a port") from None
    if port is None or parts.path or parts.query or "@" in value:
        raise ValueError("it has no port" if port is None else "it has more than an address and a port")
    return value


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this computer itself."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def networks(value: object) -> tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]:
    """Networks, each by its first address and its length."""
    if not isinstance(value, list | tuple):
        raise ValueError("it is not a list")
    try:
        return tuple(ipaddress.ip_network(item) for item in value)
    except ValueError as error:
        raise ValueError(str(error)) from None


def mail_address(value: object) -> str:
    """One mail address, bare."""
    if not isinstance(value, str) or not re.fullmatch(r"[^\s@<>,;:\"()\[\]\\]+@[^\s@<>,;:\"()\[\]\\]+", value):
        raise ValueError("it is no bare mail address")
    if not value.isprintable():
        raise ValueError("it has a control character")
    return value
