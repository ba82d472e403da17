"""What every section of the configuration is made of: a strict table, and fields that say what they want."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, PlainValidator

from farmwatch.config import fields

__all__ = ["Name", "Section", "reads"]


class Section(BaseModel):
    """A table of the configuration: strict about types, closed to unknown keys."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, arbitrary_types_allowed=True
    )


def reads(reader: Callable[..., Any], wanted: str, **more: Any) -> Any:
    """What stands in `Annotated` for a value that `reader` reads; `wanted` is what an error says of it."""
    return (PlainValidator(reader), Field(description=wanted, **more))


Name = Annotated[
    str,
    PlainValidator(fields.name),
    Field(description=f"wanted printable text of 1 to {fields.LONGEST_NAME} characters, no blanks at its ends"),
]
