"""An address as a square code that a phone reads (QR code, ISO/IEC 18004), drawn as one path."""

from __future__ import annotations

from markupsafe import Markup

from farmwatch.report.svg import Drawing

__all__ = ["square_code"]

# Modules of white round the code, as the standard asks for.
_QUIET = 4


def square_code(address: str, *, key: str) -> Markup:
    """The code of an address, correcting 15 % of damage; empty for none."""
    if not address:
        return Markup("")
    # Only a farm with pages has addresses.
    import segno

    rows = [list(row) for row in segno.make(address, error="m", micro=False).matrix]
    size = len(rows) + 2 * _QUIET
    drawing = Drawing(key, size, size, title=f"Code of {address}", kind="code")
    drawing.add("rect", cls="code-paper", x=0, y=0, width=size, height=size)
    runs = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            start = x
            while x < len(row) and row[x]:
                x += 1
            if x > start:
                runs.append(f"M{start + _QUIET} {y + _QUIET}h{x - start}v1h{start - x}z")
            x += x == start
    drawing.add("path", cls="code-ink", d="".join(runs))
    return drawing.done()
