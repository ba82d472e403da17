"""The body of an answer: unpacked within a bound, and read as JSON or as a plain grid of numbers."""

from __future__ import annotations

import math
import re
import zlib
from typing import Any

import orjson

from farmwatch.collect.faults import PollError
from farmwatch.text import excerpt

__all__ = ["json_document", "text_rows", "too_large", "unpacked"]


GZIP = 16 + zlib.MAX_WBITS
# Each costs a copy of all that follows it: a small body of empty ones would keep the whole farm waiting.
MOST_MEMBERS = 256
_WIDTHS: dict[str, tuple[int, ...]] = {
    "gzip": (GZIP,),
    "x-gzip": (GZIP,),
    # The standard means zlib's format; some servers send the bare stream.
    "deflate": (zlib.MAX_WBITS, -zlib.MAX_WBITS),
}


def unpacked(body: bytes, encoding: str, cap: int) -> bytes:
    """`body` without its Content-Encoding; PollError if it is larger than `cap`, broken, or packed in another way."""
    encoding = encoding.strip().lower()
    if encoding in ("", "identity"):
        return body
    widths = _WIDTHS.get(encoding)
    if widths is None:
        raise PollError("host-error", f"packs its answer as {excerpt(encoding)!r}, which nobody asked for")
    for width in widths:
        try:
            return _inflate(body, width, cap)
        except zlib.error:
            continue
    raise PollError("garbled", f"its answer says {encoding} and cannot be unpacked")


def too_large(cap: int) -> PollError:
    """The trouble with an answer over `cap` bytes."""
    return PollError(
        "host-error",
        f"its answer is larger than {cap // 1024:,} KiB: is this the address of the mesh? "
        "(largest_answer_kib in [poll] is the limit)",
    )


def _inflate(body: bytes, width: int, cap: int) -> bytes:
    whole = b""
    for _ in range(MOST_MEMBERS):
        stream = zlib.decompressobj(width)
        whole += stream.decompress(body, cap + 1 - len(whole))
        if len(whole) > cap:
            raise too_large(cap)
        if not stream.eof:
            raise PollError("garbled", "its packed answer breaks off before the end")
        body = stream.unused_data
        # gzip may hold several members, one after the other; anything else behind the end is padding.
        if width != GZIP or not body.startswith(b"\x1f\x8b"):
            return whole
    raise PollError("garbled", f"its packed answer is in more than {MOST_MEMBERS} parts")


_EMPTY = "the answer is empty: no mesh yet, or the path is wrong"
_BOM = b"\xef\xbb\xbf"
_TITLE = re.compile(rb"<title[^>]*>([^<]{1,200})", re.IGNORECASE)
_NO_NUMBER = re.compile(r"[-+]?(nan|inf(inity)?)\b", re.IGNORECASE)


def json_document(body: bytes) -> Any:
    """The JSON document in `body`; PollError where there is none."""
    body = _something(body)
    try:
        return orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise PollError("garbled", _not_json(body, error)) from None


def text_rows(body: bytes) -> list[list[float | None]]:
    """The rows of a plain grid: a row a line; columns apart by blanks, commas or semicolons; `nan` where none is.

    Only one way of parting the columns may stand in a document: a comma would else be a decimal sign to one reader
    and the end of a number to another.
    """
    body = _something(body)
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        raise PollError("garbled", "the answer is not text (UTF-8)") from None
    if text.lstrip().startswith("<"):
        raise PollError("garbled", f"the answer is {_page(body)}, not a grid of numbers")
    apart = next((sign for sign in ";," if sign in text), None)
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise PollError("no-mesh", _EMPTY)
    return [_text_row(line, apart, number) for number, line in enumerate(lines, 1)]


def _text_row(line: str, apart: str | None, number: int) -> list[float | None]:
    row: list[float | None] = []
    for column, word in enumerate((line.rstrip().removesuffix(apart) if apart else line).split(apart), 1):
        word = word.strip()
        if word.lower() == "nan":
            row.append(None)
            continue
        try:
            if "_" in word or _NO_NUMBER.match(word):
                raise ValueError
            value = float(word)
            if not math.isfinite(value):
                raise ValueError
            row.append(value)
        except ValueError:
            raise PollError(
                "garbled", f"row {number}, value {column} holds {excerpt(word, 30)!r} where a number is wanted"
            ) from None
    return row


def _something(body: bytes) -> bytes:
    body = body.removeprefix(_BOM)
    if not body or body.isspace():
        raise PollError("no-mesh", _EMPTY)
    return body


def _not_json(body: bytes, error: orjson.JSONDecodeError) -> str:
    if body.lstrip().startswith(b"<"):
        return f"the answer is {_page(body)} in place of JSON; is the path right, and does it want a login?"
    where = f"line {error.lineno}, column {error.colno}"
    token = _NO_NUMBER.match(error.doc[error.pos : error.pos + 12])
    if token:
        return f"the answer is not JSON: {token[0]} at {where} is no number in JSON"
    if "UTF-8" in error.msg:
        return "the answer is not JSON: it is not UTF-8 text"
    if "depth" in error.msg:
        return "the answer is nested more than a thousand deep"
    if error.pos >= len(error.doc.rstrip()):
        return "the answer is JSON that breaks off before its end"
    return f"the answer is not JSON ({excerpt(error.msg, 80)} at {where})"


def _page(body: bytes) -> str:
    title = _TITLE.search(body[:20_000])
    name = excerpt(title[1].decode("utf-8", "replace"), 40) if title else ""
    return f"a web page (titled {name!r})" if name else "a web page or XML"
