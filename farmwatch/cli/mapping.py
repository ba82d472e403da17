"""The first hour: what an unknown host's answer holds, as a mapping to put into the configuration."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, error, paragraph, width
from farmwatch.errors import FarmwatchError, InputError
from farmwatch.text import sanitize

if TYPE_CHECKING:
    from farmwatch.collect import PollError
    from farmwatch.collect.proposal import Proposal

__all__ = ["COMMANDS"]

MOST_OTHERS = 3
DEADLINE_SECONDS = 15.0
LARGEST_ANSWER = 8 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """One answer and what was proposed for it."""

    source: str
    """The host's address, or the file."""
    path: str
    proposals: list[Proposal]

    def alike(self, other: _Look) -> bool:
        """Whether one block serves both."""
        return (self.path, self.proposals[0].fields) == (other.path, other.proposals[0].fields)


@click.command("mapping", short_help="Propose a mapping for a host's answer.")
@click.argument("urls", nargs=-1, metavar="[URL]...")
@click.option("--answer", "file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Look at this saved answer and ask nobody; URL then only tells its path.")  # fmt: skip
@click.option("--name", metavar="NAME", help="What to call the mapping; after its host if left out.")
@click.option("--header", "headers", multiple=True, metavar="K=V",
              help="A header to ask with, its value or env:NAME or file:PATH; may be given again.")  # fmt: skip
@click.option("--toml", "only_toml", is_flag=True, help="Print the best block alone.")
@pass_app
def mapping(
    app: App, urls: tuple[str, ...], file: Path | None, name: str | None, headers: tuple[str, ...], only_toml: bool
) -> None:
    """Read the answer at URL and propose the block that maps it onto a mesh, with what is not sure of it.

    Several hosts may be given: those that are read alike share one block.
    """
    from farmwatch.collect.proposal import toml_block
    from farmwatch.config import names_a_secret

    given = dict(_header(text) for text in headers)
    values = {key: _value_of(value) for key, value in given.items()}
    sources = {key: value if names_a_secret(value) else "" for key, value in given.items()}
    groups: list[list[_Look]] = []
    for look in _looks(app, urls, file, values):
        same = next((group for group in groups if group[0].alike(look)), None)
        if same is None:
            groups.append([look])
        else:
            same.append(look)
    for number, group in enumerate(groups):
        first = group[0]
        best = first.proposals[0]
        called = name or _name_of(first.source)
        called = called if number == 0 or name is None else f"{called}-{number + 1}"
        if number:
            echo()
        if len(urls) > 1:
            echo(f"# read alike: {', '.join(sanitize(look.source) for look in group)}")
        if only_toml:
            # To be appended to a file: an empty line keeps it apart from what stands there.
            click.echo(f"\n{toml_block(best, called, first.path, headers=sources)}", nl=False)
            continue
        # On a screen the doubts stand in a list of their own.
        block = toml_block(best, called, first.path, headers=sources, doubts=False)
        _show_best(best, block, first.source, values)
        _show_others(first.proposals[1:])


def _header(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not (name and equals):
        # What was typed may hold the key itself, so it is not repeated.
        raise InputError('--header wants a name and a value such as "X-Shop-Key=…"')
    return name.strip(), value.strip()


def _value_of(value: str) -> str:
    from farmwatch.config import Secret, names_a_secret

    return Secret(value, Path.cwd()).reveal() if names_a_secret(value) else value


def _name_of(source: str) -> str:
    """A name for the mapping, after its host or the file of its answer."""
    host = urlsplit(source).hostname or Path(source).stem
    if not re.fullmatch(r"[0-9.]+|.*:.*", host):
        host = host.partition(".")[0]
    return re.sub(r"[^A-Za-z0-9_-]+", "-", host).strip("-") or "survey"


def _looks(app: App, urls: Sequence[str], file: Path | None, headers: dict[str, str]) -> list[_Look]:
    """What was proposed for each host, or for the saved answer; raises FarmwatchError where there is nothing at all."""
    from farmwatch.collect import Fetcher, PollError

    if file is not None:
        if len(urls) > 1:
            raise InputError("--answer is one host's answer: give one URL at most")
        path = _path_of(urls[0]) if urls else "/"
        try:
            body = file.read_bytes()
        except OSError as fault:
            raise InputError(f"{file} cannot be read: {fault.strerror or fault}") from None
        return [_Look(source=urls[0] if urls else str(file), path=path, proposals=_proposed(body, "", {}))]
    if not urls:
        raise InputError("wanted a web address such as http://10.20.1.11/v1/survey/latest, or --answer FILE")
    paths = [_path_of(url) for url in urls]
    looks, faults = [], []
    with Fetcher(deadline_seconds=DEADLINE_SECONDS, largest_answer=LARGEST_ANSWER, ca_file=_ca_file(app)) as fetcher:
        for url, path in zip(urls, paths, strict=True):
            try:
                answer = fetcher.get(url, headers)
                found = _proposed(answer.body, answer.content_type, headers)
                looks.append(_Look(source=url, path=path, proposals=found))
            except PollError as trouble:
                faults.append(_hidden(_advice(trouble), headers))
            except FarmwatchError as nothing:
                faults.append(str(nothing))
    if not looks:
        raise FarmwatchError("; ".join(faults))
    for reason in faults:
        error(sanitize(reason), prefix="not read: ")
    return looks


def _path_of(url: str) -> str:
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise InputError("this is no web address; wanted is one such as http://10.20.1.11/v1/survey/latest")
    return parts.path or "/"


def _proposed(body: bytes, content_type: str, headers: dict[str, str]) -> list[Proposal]:
    from farmwatch.collect import PollError
    from farmwatch.collect.proposal import propose

    try:
        found = propose(body, content_type)
    except PollError as trouble:
        raise FarmwatchError(_hidden(_advice(trouble), headers)) from None
    if not found:
        raise FarmwatchError(
            "nothing in this answer can be a mesh: no rectangular block of heights, no list of a plausible length, no "
            "points. Its manual may tell of another path, or the machine has not probed its bed yet"
        )
    return found


def _ca_file(app: App) -> Path | None:
    """The farm's own authority, where there is a configuration already."""
    try:
        return app.settings.poll.ca_file
    except FarmwatchError:
        return None


def _advice(trouble: PollError) -> str:
    """What the host said, and what to look for in its manual."""
    look = {
        401: "its manual tells how a program identifies itself: look for a key, a token or a header, "
        "and give it with --header NAME=VALUE",
        404: "its manual tells the path: look for the addresses it answers GET at, and for the one with the bed's "
        "heights; some hold nothing there until the first probing",
    }
    status = 401 if trouble.status in (401, 403, 407) else trouble.status
    more = look.get(status or 0)
    return f"{trouble.reason}; {more}" if more else trouble.reason


def _hidden(text: str, headers: dict[str, str]) -> str:
    for value in headers.values():
        text = text.replace(value, "…") if value else text
    return text


def _show_best(best: Proposal, block: str, url: str, headers: dict[str, str]) -> None:
    from farmwatch.cli.charts import bed_map
    from farmwatch.text import count, mm

    mesh = best.found.mesh
    rows, columns = mesh.z.shape
    echo("To put into the configuration:", strong=True)
    echo()
    for line in block.splitlines():
        echo(_hidden(sanitize(line), headers))
    echo()
    if best.reasons:
        echo("Why:", strong=True)
        _show_each(best.reasons)
    if best.unsure:
        echo("To look at, since it is not sure:", strong=True)
        _show_each(best.unsure)
    echo(f"As it would be read: {count(rows, 'row')} of {columns}, range {mm(mesh.range_mm)} mm", strong=True)
    if best.found.remarks:
        _show_each(best.found.remarks)
    if best.made_up:
        paragraph(f"{' and '.join(best.made_up)} of this map are made up, since the answer does not tell them.")
    paragraph("Is the high corner where the bed is high? If not, change first, order or sign in the block.")
    echo()
    lines, explained = bed_map(mesh, columns=width())
    for line in lines:
        echo(line)
    for sentence in explained:
        paragraph(sanitize(sentence))
    if "?" in url:
        echo()
        paragraph("The address has a query: give its parts at query, what is secret in it as env:NAME or file:PATH.")


def _show_each(texts: Sequence[str]) -> None:
    for text in texts:
        paragraph(sanitize(text), indent=2, hang=2)
    echo()


def _show_others(others: Sequence[Proposal]) -> None:
    if not others:
        return
    echo()
    echo("What else in it could be heights, less likely:", strong=True)
    for other in others[:MOST_OTHERS]:
        where = other.fields.get("heights", "the text itself")
        rows, columns = other.found.mesh.z.shape
        why = "; ".join([*other.reasons[:2], *other.unsure[:1]])
        paragraph(sanitize(f"{where}: {rows} rows of {columns}. {why}"), indent=2, hang=2)
    if len(others) > MOST_OTHERS:
        echo(f"  and {len(others) - MOST_OTHERS} more")


COMMANDS = (mapping,)
