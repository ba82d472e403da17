"""The weekly report."""

from __future__ import annotations

from pathlib import Path

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph
from farmwatch.text import sanitize

__all__ = ["COMMANDS"]


@click.command("report", short_help="Write the week's report.")
@click.option(
    "--week", metavar="WEEK",
    help="An ISO 8601 week such as 2026-W47. Left out: the last full one, or this one if nothing was read before.",
)  # fmt: skip
@click.option("--at", metavar="TIME", help="As of this time: only what was known then counts.")
@click.option("--pdf", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path),
              help="Print it into this file too, by a browser on this computer or by WeasyPrint.")  # fmt: skip
@pass_app
def report(app: App, week: str | None, at: str | None, pdf: Path | None) -> None:
    """Write the week's report, one HTML file; the same data gives the same bytes."""
    from farmwatch.report import Week, print_pdf, write_week
    from farmwatch.store import refuse_foreign

    # Its folder must stay one that the service can write.
    refuse_foreign(app.settings.farm.database)
    view, path = write_week(app.settings, app.store, app.moment(at), None if week is None else Week.read(week))
    echo(f"written: {sanitize(path)}")
    if pdf is not None:
        print_pdf(path, pdf)
        echo(f"printed: {sanitize(pdf)}")
    if week is None and view.running:
        before = Week.read(view.week).previous()
        paragraph(
            f"It is of the week that still runs, {view.week}: "
            f"nothing was read by the end of the last full one, {before}."
        )


COMMANDS = (report,)
