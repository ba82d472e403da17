"""Which secrets a configuration names: for the log that hides them, and for the unit that says where they go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pydantic import BaseModel

from farmwatch.config import Secret, Settings

__all__ = ["secret_sources"]


def secret_sources(settings: Settings) -> list[Secret]:
    """Every secret of the configuration, by its source, in whatever section it stands."""
    return list(_secrets(settings))


def _secrets(value: object) -> Iterator[Secret]:
    if isinstance(value, Secret):
        yield value
    elif isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _secrets(getattr(value, name, None))
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from _secrets(one)
    elif isinstance(value, tuple | list):
        for one in value:
            yield from _secrets(one)
