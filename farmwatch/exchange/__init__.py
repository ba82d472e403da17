"""Readings in and out: NDJSON, CSV, Parquet, and a plain grid for one machine."""

from farmwatch.exchange.grid import import_grid
from farmwatch.exchange.outcome import Exported, Imported, Progress, Refused
from farmwatch.exchange.reading import import_files
from farmwatch.exchange.writing import Form, export_readings

__all__ = ["Exported", "Form", "Imported", "Progress", "Refused", "export_readings", "import_files", "import_grid"]
