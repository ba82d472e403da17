"""`python -m farmwatch` is `farmwatch`."""

import os
import sys

from farmwatch.standby import answered

__all__ = ["main"]

_STREAMS = (("stdin", "r"), ("stdout", "w"), ("stderr", "w"))


def main() -> None:
    """The entry point of `farmwatch`: by the standby of a running service where it can, else here."""
    _open_what_is_closed()
    code = answered(sys.argv[1:])
    if code is None:
        # Only now: the rest takes time to load.
        from farmwatch.cli import run

        code = run(sys.argv[1:])
    sys.exit(code)


def _open_what_is_closed() -> None:
    """Streams that the caller closed (`>&-`) lead nowhere: else the next file opened would take their place."""
    for number, (name, mode) in enumerate(_STREAMS):
        if getattr(sys, name) is None:
            if os.open(os.devnull, os.O_RDWR) != number:
                raise OSError(f"{name} is closed, and its place is taken")
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


if __name__ == "__main__":
    main()
