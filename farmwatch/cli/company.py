"""Many sites as one."""

from __future__ import annotations

from pathlib import Path

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, error, paragraph, progress
from farmwatch.errors import InputError
from farmwatch.text import sanitize

__all__ = ["COMMANDS"]


@click.command("company", short_help="Write the week's report over all sites of a company.")
@click.option("--lake", metavar="URL", help="The lake that the sites write: a folder, or what fsspec opens.")
@click.option("--to", "folder", type=click.Path(path_type=Path), metavar="DIR", help="Where to write the report.")
@click.option("--week", metavar="WEEK", help="An ISO 8601 week such as 2026-W47; the last full one if left out.")
@click.option("--at", metavar="TIME", help="As of this time; company time where it has no offset.")
@click.option("--jobs", type=click.IntRange(1, 1024), metavar="N", help="Processes; one a core if left out.")
@click.option("--engine", metavar="ADDRESS", help="A dask.distributed scheduler, such as tcp://10.20.0.5:8786.")
@pass_app
def company(
    app: App,
    lake: str | None,
    folder: Path | None,
    week: str | None,
    at: str | None,
    jobs: int | None,
    engine: str | None,
) -> None:
    """Assess every site's machines from the lake and write the company's week, one HTML file.

    Each site writes its share with `farmwatch export --lake`. The section [company] of the configuration, which needs
    no farm beside it, says the company's name, zone, lake, folder and the sites that are to be there.
    """
    from farmwatch.cli.app import read_moment
    from farmwatch.company import Engine, write_company
    from farmwatch.config import load_company
    from farmwatch.report import Week

    section = load_company(app.config)
    url, target = lake or section.lake, folder or section.reports
    if url is None or target is None:
        missing = "--lake, or lake" if url is None else "--to, or reports"
        raise InputError(f"{missing} at [company], is missing")
    moment = app.now() if at is None else read_moment(at, section.timezone)
    with progress("assessing the sites") as move:
        view, path = write_company(
            section,
            url,
            target,
            moment,
            None if week is None else Week.read(week),
            engine=Engine(jobs=jobs or 0, address=engine),
            say=error,
            progress=move,
        )
    paragraph(sanitize(view.sentence))
    for word in view.words:
        paragraph(f"{sanitize(word.site)}: {sanitize(word.words)}", indent=2, hang=2)
    if view.foreign:
        paragraph(f"not read, since they are none of farmwatch's: {', '.join(map(sanitize, view.foreign))}", indent=2)
    echo(f"written: {sanitize(path)}")


@click.command("priors", short_help="Begin with what the company's other sites have learned.")
@click.option(
    "--from", "file", type=click.Path(path_type=Path), metavar="FILE",
    help="The .priors.json beside a company's report.",
)  # fmt: skip
@pass_app
def priors(app: App, file: Path | None) -> None:
    """Take over what the company has learned of the models on this farm; without --from: show what was taken over.

    Forecasts then start from how machines of a model drift at the other sites, and what this farm learns itself is
    drawn towards that while its machines are few.
    """
    from farmwatch.company import prior_sentences, read_priors, take_priors

    if file is not None:
        models = {machine.model for machine in app.settings.machines}
        for sentence in take_priors(app.store, read_priors(file), models, app.now()):
            paragraph(sanitize(sentence))
        return
    text = app.store.company_priors()
    if text is None:
        paragraph("Nothing was taken over; `farmwatch priors --from FILE` does that.")
        return
    import orjson

    document = orjson.loads(text)
    paragraph(f"Taken over from {sanitize(str(document['company']))}, week {sanitize(str(document['week']))}:")
    for sentence in prior_sentences(document):
        paragraph(sanitize(sentence), indent=2)


COMMANDS = (company, priors)
