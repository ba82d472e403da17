"""Readings in and out: NDJSON, CSV, Parquet, and a plain grid for one machine.

Every format becomes parsed lines (`ndjson`, `csvfile`, `parquet`), `batch` turns lines into columns held to the rules
of a single reading, `reading` stores them and keeps count of what was refused and why, `writing` exports.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
