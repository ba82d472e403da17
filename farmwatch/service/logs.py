"""The log: an event a line on standard error, as logfmt or JSON; values are quoted, secrets taken out.

`log_event` is how the service speaks; what libraries log comes out in the same form. Nothing in a value ends a line.
"""

from __future__ import annotations

import json
import logging
import sys
import traceback
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, Literal, TextIO

from pydantic import BaseModel

from farmwatch.config import ConfigError, Secret, Settings

__all__ = ["LineFormatter", "log_event", "secret_sources", "secrets_of", "set_up_log"]

_HIDDEN = "\N{HORIZONTAL ELLIPSIS}"
# Shorter ones would take ordinary words apart, and are no secret anyway.
_SHORTEST_HIDDEN = 4
_LONGEST_VALUE = 2_000
_FRAMES_SHOWN = 6


def log_event(log: logging.Logger, level: int, event: str, **fields: object) -> None:
    """Log an event with its fields; None is left out."""
    log.log(level, event, extra={"fields": {name: value for name, value in fields.items() if value is not None}})


class LineFormatter(logging.Formatter):
    """One line a record. `secrets` are hidden wherever they would stand."""

    def __init__(self, form: Literal["logfmt", "json"], secrets: Iterable[str] = ()) -> None:
        super().__init__()
        self.renew(form, secrets)

    def renew(self, form: Literal["logfmt", "json"], secrets: Iterable[str]) -> None:
        """Write in this form from now on, and hide these."""
        self.form = form
        self.secrets = tuple(sorted(filter(_worth_hiding, secrets), key=len, reverse=True))

    def format(self, record: logging.LogRecord) -> str:
        """The record as a line."""
        return self._line(
            {
                "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
                "level": record.levelname.lower(),
                "event": self._hidden(record.getMessage()),
                **{name: self._fit(value) for name, value in self._fields(record).items()},
            }
        )

    def _fields(self, record: logging.LogRecord) -> Mapping[str, object]:
        found: dict[str, object] = dict(getattr(record, "fields", {}))
        if not record.name.startswith("farmwatch.service"):
            found["from"] = record.name
        if record.exc_info and record.exc_info[1] is not None:
            found["fault"] = f"{type(record.exc_info[1]).__name__}: {record.exc_info[1]}"
            found["trace"] = _where(record.exc_info[1])
        return found

    def _fit(self, value: object) -> object:
        if isinstance(value, bool | int):
            return value
        if isinstance(value, float):
            return round(value, 4)
        text = self._hidden(str(value))
        return text if len(text) <= _LONGEST_VALUE else text[:_LONGEST_VALUE] + _HIDDEN

    def _hidden(self, text: str) -> str:
        for secret in self.secrets:
            text = text.replace(secret, _HIDDEN)
        return text

    def _line(self, fields: Mapping[str, Any]) -> str:
        if self.form == "json":
            return json.dumps(fields, ensure_ascii=True, separators=(",", ":"))
        return " ".join(f"{name}={_logfmt(value)}" for name, value in fields.items())


def set_up_log(settings: Settings, stream: TextIO | None = None) -> LineFormatter:
    """Send every record from INFO on to standard error in the form of the configuration."""
    formatter = LineFormatter(settings.service.log, secrets_of(settings))
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)
    for chatty in ("apscheduler", "waitress"):
        # A line at every wake-up is four a second; what goes wrong there is still said.
        logging.getLogger(chatty).setLevel(logging.WARNING)
    return formatter


def secrets_of(settings: Settings) -> set[str]:
    """Every secret of the configuration that can be read now."""
    found = set()
    for secret in secret_sources(settings):
        try:
            found.add(secret.reveal())
        except ConfigError:
            continue
    return found


def _worth_hiding(secret: str) -> bool:
    return len(secret) >= _SHORTEST_HIDDEN


def _logfmt(value: object) -> str:
    if value is True or value is False:
        return str(value).lower()
    text = str(value)
    if text and text.isascii() and text.isprintable() and not set(text) & set(" \"'=\\"):
        return text
    # JSON's quoting: control characters, line ends of every alphabet and quotes are escaped.
    return json.dumps(text, ensure_ascii=True)


def _where(fault: BaseException) -> str:
    frames = traceback.extract_tb(fault.__traceback__)[-_FRAMES_SHOWN:]
    return " < ".join(f"{frame.name}:{frame.filename.rpartition('/')[2]}:{frame.lineno}" for frame in reversed(frames))


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
