"""The process in which an errand is done: it comes pickled on standard input, what came of it goes out as JSON.

Only the service starts it, and only the service writes to its input.
"""

from __future__ import annotations

import json
import os
import pickle
import sys

from farmwatch.errors import FarmwatchError
from farmwatch.service.doing import do
from farmwatch.service.errand import Errand
from farmwatch.store import Store

__all__ = ["main"]

NICE = 10


def main() -> int:
    """Do the errand; exit 0 with what came of it, 2 with the fault in words."""
    os.nice(NICE)
    errand: Errand = pickle.load(sys.stdin.buffer)
    try:
        said = do(errand, Store(errand.settings.farm.database))
    except FarmwatchError as fault:
        print(json.dumps({"fault": str(fault)}))
        return 2
    print(json.dumps(said))
    return 0


if __name__ == "__main__":
    sys.exit(main())
