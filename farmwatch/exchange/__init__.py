"""Readings in and out: NDJSON, CSV, Parquet, and a plain grid for one machine."""

from farmwatch.exchange.grid import Corner, grid_reading, import_grid
from farmwatch.exchange.outcome import Exported, Imported, Progress, Refused
from farmwatch.exchange.reading import import_files
from farmwatch.exchange.writing import Form, export_readings

__all__ = [
    "Corner",
    "Exported",
    "Form",
    "Imported",
    "Progress",
    "Refused",
    "export_readings",
    "grid_reading",
    "import_files",
    "import_grid",
]
