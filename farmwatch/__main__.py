"""`python -m farmwatch` is `farmwatch`."""

import os
import sys
import warnings

__all__ = ["main"]

_STREAMS = (("stdin", "r"), ("stdout", "w"), ("stderr", "w"))


# Our matrices are small: threads within one product cost a fifth of an assessment's processor time, and gain nothing.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def main() -> None:
    """The entry point of `farmwatch`."""
    _open_what_is_closed()
    for name in _ONE_THREAD:
        # Before numpy loads, which reads it once; processes that are started from here inherit it.
        os.environ.setdefault(name, "1")
    if not sys.warnoptions:
        # Warnings of Python and of libraries are for whoever develops them: python -W default shows them.
        warnings.simplefilter("ignore")
        os.environ["PYTHONWARNINGS"] = "ignore"
    # Only now: loading it opens files.
    from farmwatch.cli import run

    sys.exit(run(sys.argv[1:]))


def _open_what_is_closed() -> None:
    """Streams that the caller closed (`>&-`) lead nowhere: else the next file opened would take their place."""
    for number, (name, mode) in enumerate(_STREAMS):
        if getattr(sys, name) is None:
            if os.open(os.devnull, os.O_RDWR) != number:
                raise OSError(f"{name} is closed, and its place is taken")
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


if __name__ == "__main__":
    main()
