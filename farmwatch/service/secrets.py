"""Which secrets a configuration names: for the log that hides them, and for the unit that says where they go."""

from __future__ import annotations

from farmwatch.config import Secret, Settings

__all__ = ["secret_sources"]


def secret_sources(settings: Settings) -> list[Secret]:
    """Every secret of the configuration, by its source."""
    found: list[object] = []
    for mapping in settings.mappings.values():
        found += [*mapping.headers.values(), *mapping.query.values()]
    if settings.mail is not None:
        found.append(settings.mail.password)
    if settings.webhook is not None:
        found += [settings.webhook.url, *settings.webhook.headers.values()]
    return [one for one in found if isinstance(one, Secret)]
