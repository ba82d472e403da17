"""Unpacks a gzip or deflate body with a cap: a few bytes that stand for gigabytes cost no more than the cap."""

from __future__ import annotations

import zlib

from farmwatch.collect.outcome import PollError
from farmwatch.text import excerpt

__all__ = ["too_large", "unpacked"]

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
