"""Whether mail and webhook would take what farmwatch has to send."""

from __future__ import annotations

from farmwatch.cli.app import App
from farmwatch.cli.screen import paragraph
from farmwatch.errors import InputError
from farmwatch.text import sanitize

__all__ = ["show_ways_out"]


def show_ways_out(app: App, send: bool) -> bool:
    """Try what is configured, in a line each; returns whether all of it would take a letter. `send` posts a test."""
    from farmwatch.tickets import Outbox

    if send and app.settings.webhook is None:
        raise InputError("--send posts a test to the webhook, and the configuration has no [webhook]")
    all_well = True
    for name, words, well in Outbox(app.store).ways_out(app.settings, app.now(), send=send):
        paragraph(f"{name}: {sanitize(words)}", hang=2, strong=not well)
        all_well &= well
    return all_well
