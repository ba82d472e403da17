"""farmwatch watches the beds of a farm of 3D printers."""

__all__ = ["__version__"]

__version__: str


def __getattr__(name: str) -> str:
    """The version, looked up when it is asked for: the look-up costs more than all else that `--help` needs."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import version

    return version("farmwatch")
