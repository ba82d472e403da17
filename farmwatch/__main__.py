"""`python -m farmwatch` is `farmwatch`."""

import sys

from farmwatch.standby import answered

__all__ = ["main"]


def main() -> None:
    """The entry point of `farmwatch`: by the standby of a running service where it can, else here."""
    code = answered(sys.argv[1:])
    if code is None:
        # Only now: the rest takes time to load.
        from farmwatch.cli import run

        code = run(sys.argv[1:])
    sys.exit(code)


if __name__ == "__main__":
    main()
