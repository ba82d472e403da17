"""Whether mail and webhook would take what farmwatch has to send."""

from __future__ import annotations

from collections.abc import Callable

from farmwatch.cli.app import App
from farmwatch.cli.screen import paragraph
from farmwatch.text import sanitize

__all__ = ["show_ways_out"]


def show_ways_out(app: App, send: bool) -> bool:
    """Try what is configured, in a line each; returns whether all of it would take a letter. `send` posts a test."""
    from farmwatch.errors import InputError
    from farmwatch.tickets import trying

    settings = app.settings
    if send and settings.webhook is None:
        raise InputError("--send posts a test to the webhook, and the configuration has no [webhook]")
    well = True
    if settings.mail is not None:
        well &= _tried("mail", lambda: f"{trying.try_mail(settings)}; no letter was sent")
    if settings.webhook is not None:
        if send:
            well &= _tried("webhook", lambda: trying.post_test(settings, app.store, app.now()))
        else:
            well &= _tried("webhook", lambda: f"{trying.try_webhook(settings)}; to post a test: farmwatch check --send")
    return well


def _tried(what: str, attempt: Callable[[], str]) -> bool:
    from farmwatch.tickets.delivery import DeliveryFault

    try:
        paragraph(f"{what}: {sanitize(attempt())}", hang=2)
    except DeliveryFault as fault:
        paragraph(f"{what}: {sanitize(fault)}", hang=2, strong=True)
        return False
    return True
