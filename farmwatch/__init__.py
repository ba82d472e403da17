"""farmwatch watches the beds of a farm of 3D printers."""

from importlib.metadata import version

__all__ = ["__version__"]

__version__ = version("farmwatch")
