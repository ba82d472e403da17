"""Readings in and out as files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, error, paragraph, progress, width
from farmwatch.errors import InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.exchange import Corner, Form, Imported
    from farmwatch.mesh import Mesh
    from farmwatch.model import Model

__all__ = ["COMMANDS"]

_ENDS = click.FloatRange(-10_000, 10_000)


@click.command("import", short_help="Store readings from files.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--machine", "name", metavar="NAME", help="The one machine of a plain grid.")
@click.option("--at", metavar="TIME", help="When the grid was probed; farm time where it has no offset.")
@click.option("--x", "x_ends", nargs=2, type=_ENDS, metavar="LEFT RIGHT", help="x of the grid's outer columns, mm.")
@click.option("--y", "y_ends", nargs=2, type=_ENDS, metavar="FRONT REAR", help="y of the grid's outer rows, mm.")
@click.option(
    "--first", type=click.Choice(["front-left", "front-right", "rear-left", "rear-right"]),
    help="The corner of the grid's first number; front-left if left out.",
)  # fmt: skip
@click.option("--look", "only_look", is_flag=True, help="Only draw the grid's bed; store nothing.")
@pass_app
def import_(
    app: App,
    files: tuple[Path, ...],
    name: str | None,
    at: str | None,
    x_ends: tuple[float, float] | None,
    y_ends: tuple[float, float] | None,
    first: Corner | None,
    only_look: bool,
) -> None:
    """Store readings from NDJSON, CSV or Parquet files; the same again is harmless.

    A line that cannot be taken is named and the rest is kept. With --machine and --at FILE is a plain grid of that
    machine: one row a line, mm, a higher bed positive; the first line is the front row, from the left, unless --first
    names another corner; its points lie evenly over the model's bed, or between --x and --y.
    """
    if name is None:
        if at is not None or x_ends or y_ends or first or only_look:
            raise InputError("--at, --x, --y, --first and --look go with a plain grid: name its --machine too")
        _import_files(app, files)
    else:
        _import_grid(app, files, name, at, (x_ends, y_ends), first or "front-left", only_look)


def _import_files(app: App, files: tuple[Path, ...]) -> None:
    from farmwatch.exchange import import_files

    machines = [machine.name for machine in app.settings.machines]
    with progress("reading the files") as move:
        found = import_files(app.store, files, machines, app.now(), progress=move)
    if found.not_read:
        echo(f"not read, since they mean nothing here: {', '.join(sorted(map(sanitize, found.not_read)))}")
    echo(f"{found.stored:,} stored, {found.same:,} there already, {found.refused_count:,} refused")
    if found.refused_count:
        _show_refused(found)


def _show_refused(found: Imported) -> None:
    for refused in found.refused:
        error(f"{refused.file} line {refused.line}: {refused.why}")
    more = found.refused_count - len(found.refused)
    if more:
        error(f"and {more:,} more")
    raise click.exceptions.Exit(2)


def _import_grid(
    app: App,
    files: tuple[Path, ...],
    name: str,
    at: str | None,
    ends: tuple[tuple[float, float] | None, tuple[float, float] | None],
    first: Corner,
    only_look: bool,
) -> None:
    from farmwatch.exchange import grid_reading
    from farmwatch.text import clock

    machine = app.settings.machine(name)
    if at is None:
        raise InputError("--at is missing: a plain grid does not tell when it was probed")
    if len(files) > 1:
        raise InputError(f"{len(files)} files are named; a plain grid is one file and one time")
    moment = app.moment(at)
    model = app.settings.models[machine.model]
    reading = grid_reading(
        files[0], machine.name, moment, app.now(), bed=model.bed, x_ends=ends[0], y_ends=ends[1], first=first
    )
    done = "not stored" if only_look else "stored" if app.store.add_readings([reading]) else "there already"
    echo(f"{done}: {sanitize(machine.name)}, {clock(moment, app.settings.farm.timezone)}")
    _show_bed(reading.mesh, model, first)


def _show_bed(mesh: Mesh, model: Model, first: Corner) -> None:
    """The bed as it was understood: on paper the first line is as often the rear row as the front one."""
    from farmwatch.cli.charts import bed_map

    side, corner = first.split("-")
    way = "left to right" if corner == "left" else "right to left"
    other = "rear-left" if side == "front" else "front-left"
    paragraph(
        f"The first line was taken as the {side} row, from {way}. If the map is not your bed, import it again with "
        f"--first {other} or another corner: of one machine and time the last one counts. --look stores nothing."
    )
    echo()
    lines, explained = bed_map(mesh, screws=model.screws, columns=min(width(), 80))
    for line in lines:
        echo(line)
    for sentence in explained:
        paragraph(sentence)


@click.command("export", short_help="Write all readings to files.")
@click.option("--to", "folder", type=click.Path(path_type=Path), metavar="DIR", help="Where to.")
@click.option(
    "--format", "form", type=click.Choice(["ndjson", "csv", "parquet"]), default="ndjson", show_default=True,
    help="One line, some rows, or a row a reading.",
)  # fmt: skip
@click.option("--lake", metavar="URL", help="This site's share of its company's lake: a folder, or what fsspec opens.")
@click.option("--take-over", is_flag=True, help="With --lake: this database takes the place of the site's former one.")
@pass_app
def export(app: App, folder: Path | None, form: str, lake: str | None, take_over: bool) -> None:
    """Write every reading to NDJSON, CSV or Parquet; `farmwatch import` takes each of them back.

    With --lake all that a company's report needs is written as Parquet, only what has changed since the last time;
    `farmwatch company` reads it. Left without --to and --lake: to the lake that [site] names.
    """
    if folder is None:
        _export_lake(app, lake or app.settings.site.lake, take_over)
        return
    if lake is not None or take_over:
        raise InputError("--to and --lake are two ways; name one of them")
    from farmwatch.exchange import export_readings

    with progress("writing the readings") as move:
        found = export_readings(app.store, folder, cast("Form", form), progress=move)
    echo(f"{found.readings:,} readings written: {', '.join(sanitize(file) for file in found.files) or 'no file'}")


def _export_lake(app: App, url: str | None, take_over: bool) -> None:
    if url is None:
        raise InputError("where to? Name a folder with --to, or a lake with --lake or at [site] lake")
    from farmwatch.company import export_lake

    with progress("writing to the lake") as move:
        found = export_lake(app.settings, app.store, url, app.now(), progress=move, take_over=take_over)
    new = f"{found.written:,} new, {found.bytes_written / 1e6:,.1f} MB" if found.written else "nothing new"
    echo(f"{sanitize(found.site)}: {found.readings:,} readings in {sanitize(found.url)}; files: {new}")


COMMANDS = (import_, export)
