"""Which hosts there are: finding them in a network, and adding one to the farm after it was asked."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import click

from farmwatch.cli.app import App, pass_app
from farmwatch.cli.screen import echo, paragraph, progress, table
from farmwatch.errors import InputError
from farmwatch.text import count, did_you_mean, joined, mm, sanitize

if TYPE_CHECKING:
    from farmwatch.collect.proposal import FoundHost
    from farmwatch.config import Settings

__all__ = ["COMMANDS"]

MOST_NAMED = 12
MOST_ADDRESSES = 4096
"""A /20: whoever wants more of a network asked names its parts."""
_DEFAULT_PORTS = {"http": 80, "https": 443}


@click.command("find", short_help="Find the hosts of a network that show a mesh.")
@click.argument("network", metavar="NET")
@click.option("--port", "ports", multiple=True, type=click.IntRange(1, 65535), metavar="PORT",
              help="80 if not given (443 with --https); may be given again.")  # fmt: skip
@click.option("--mapping", "names", multiple=True, metavar="NAME", help="Ask by this mapping only; may be given again.")
@click.option("--named", "machines", multiple=True, metavar="NAME",
              help="A machine to ask for where a mapping's path holds {machine}; may be given again.")  # fmt: skip
@click.option("--https", is_flag=True, help="Ask over TLS.")
@click.option("--csv", "lines_alone", is_flag=True, help="Print the lines for machines.csv alone, to append to it.")
@pass_app
def find(
    app: App,
    network: str,
    ports: tuple[int, ...],
    names: tuple[str, ...],
    machines: tuple[str, ...],
    https: bool,
    lines_alone: bool,
) -> None:
    """Ask the addresses of NET, such as 10.20.1.0/24, by the configured mappings, and list what shows a mesh.

    GET only, and no other address is asked. At the most 4096 addresses (a /20) at a time. Keys are sent only where
    their mapping is named with --mapping. What fits is printed as lines for machines.csv; nothing is stored.
    """
    from farmwatch.collect.proposal import search_hosts

    settings = app.settings
    chosen, left_out = _mappings(settings, names, machines)
    addresses = _addresses(network, ports, "https" if https else "http", len(machines))
    if not lines_alone:
        echo(f"Asking {count(len(addresses), 'address', 'addresses')} by {count(len(chosen), 'mapping')}, GET only.")
    for name in () if lines_alone else left_out:
        paragraph(f"Not asked by {sanitize(name)}: its key would go to every address; --mapping {sanitize(name)} does.")
    with progress("asking the addresses") as move:
        found = search_hosts(settings, addresses, chosen, app.now(), move, machines)
    if lines_alone:
        _print_lines(settings, _new(settings, found))
    else:
        _show(settings, found)


@click.command("add", short_help="Add one machine to the farm, after asking its host.")
@click.argument("name")
@click.argument("address")
@click.option("--model", metavar="NAME", help="Its model; not needed where there is one only.")
@click.option("--mapping", metavar="NAME", help="Its mapping; if left out, the one that reads its answer.")
@click.option("--aisle", default="", metavar="NAME", help="Where it stands.")
@click.option("--unasked", is_flag=True, help="Add it though its host is off or has no mesh yet; wants --mapping.")
@pass_app
def add(app: App, name: str, address: str, model: str | None, mapping: str | None, aisle: str, unasked: bool) -> None:
    """Ask the host at ADDRESS, such as http://10.20.1.11, once, and add machine NAME to the configuration.

    It goes into the machines file, or into config.toml where the machines stand there. Nothing is written where the
    host shows no mesh, where the mesh does not fit the model, or where the configuration would have a fault.
    """
    from farmwatch.config import add_machine

    settings = app.settings
    if any(machine.name == name for machine in settings.machines):
        raise InputError(f"there is a machine {sanitize(name)!r} already; `farmwatch machine` shows it")
    model = _only(model, settings.models, "model")
    if not unasked:
        mapping = _asked(app, name, address, model, mapping)
    elif mapping is None:
        raise InputError("--unasked wants --mapping: only an answer tells which one reads it")
    row = {"name": name, "aisle": aisle, "model": model, "mapping": _only(mapping, settings.mappings, "mapping")}
    path = add_machine(settings, {key: value for key, value in {**row, "address": address}.items() if value})
    paragraph(f"{sanitize(name)} stands in {sanitize(path)} now; a running service reads it after a reload.")


def _only(name: str | None, known: Iterable[str], what: str) -> str:
    """The one of that name, or the only one there is; raises InputError."""
    names = list(known)
    if name is None and len(names) == 1:
        return names[0]
    if name is None or name not in names:
        said = "there are several" if name is None else f"no {what} is called {sanitize(name)!r}"
        raise InputError(
            f"{said}; --{what} takes one of: {', '.join(map(sanitize, names)) or 'none is configured'}"
            f"{did_you_mean(name or '', names)}"
        )
    return name


def _mappings(settings: Settings, names: Sequence[str], machines: Sequence[str]) -> tuple[list[str], list[str]]:
    """The mappings to ask by, and those left out since their keys would be sent to everybody."""
    chosen = [_only(name, settings.mappings, "mapping") for name in names]
    for name in chosen:
        if not machines and "{machine}" in settings.mappings[name].path:
            raise InputError(
                f"the path of {sanitize(name)} holds the machine's name, which an address does not tell: say which to "
                "ask for with --named NAME, as often as there are machines"
            )
    if chosen:
        return chosen, []
    plain = [name for name, one in settings.mappings.items() if machines or "{machine}" not in one.path]
    keyed = [name for name in plain if settings.mappings[name].headers or settings.mappings[name].query]
    chosen = [name for name in plain if name not in keyed]
    if not chosen:
        raise InputError("no mapping to ask by: name one with --mapping, or let `farmwatch mapping URL` make one")
    return chosen, keyed


def _addresses(network: str, ports: Sequence[int], scheme: str, machines: int = 0) -> list[str]:
    try:
        net = ipaddress.ip_network(network, strict=False)
    except ValueError:
        raise InputError(f"{sanitize(network)!r} is no network; wanted one such as 10.20.1.0/24") from None
    wanted = ports or (_DEFAULT_PORTS[scheme],)
    asked = net.num_addresses * len(wanted) * max(machines, 1)
    if asked > MOST_ADDRESSES:
        by_name = f" and {count(machines, 'machine')}" if machines else ""
        raise InputError(
            f"{net} with {count(len(wanted), 'port')}{by_name} makes {asked:,} addresses; "
            f"at most {MOST_ADDRESSES:,} (a /20) are asked at a time"
        )
    return [_url(scheme, str(host), port) for host in net.hosts() for port in wanted]


def _url(scheme: str, host: str, port: int) -> str:
    host = f"[{host}]" if ":" in host else host
    return f"{scheme}://{host}" + ("" if port == _DEFAULT_PORTS[scheme] else f":{port}")


def _show(settings: Settings, found: Sequence[FoundHost]) -> None:
    known = _known(settings)
    if not found:
        echo("Nobody answered.")
        return
    echo()
    with_mesh = [host for host in found if host.mesh is not None]
    if with_mesh:
        columns = [("address", False), ("mesh", False), ("range", True), ("mapping", False), ("identity", False)]
        table(columns, [_row(host, known) for host in with_mesh], lambda _: False)
        echo()
    keyed = sum(host.wants_key for host in found)
    others = len(found) - len(with_mesh)
    said = f"{count(len(found), 'address', 'addresses')} answered, {len(with_mesh)} with a mesh"
    paragraph(f"{said}{f'; {keyed} of the other {others} want a key' if keyed else ''}.")
    for host in with_mesh:
        if not host.mappings:
            paragraph(f"Looks like a mesh, and no mapping reads it: farmwatch mapping {host.address}{host.path}")
    _show_others("want a key", [host for host in found if host.wants_key])
    _show_others("show no mesh", [host for host in found if host.mesh is None and not host.wants_key])
    _show_lines(settings, _new(settings, found))


def _known(settings: Settings) -> dict[tuple[str, str], str]:
    """The machines of the configuration by their address, and by their name where the path asks for it."""
    found: dict[tuple[str, str], str] = {}
    for machine in settings.machines:
        if machine.address and machine.mapping:
            by_name = "{machine}" in settings.mappings[machine.mapping].path
            found[machine.address.rstrip("/"), machine.name if by_name else ""] = machine.name
    return found


def _row(host: FoundHost, known: dict[tuple[str, str], str]) -> list[str]:
    assert host.mesh is not None  # only those are shown
    rows, columns = host.mesh.mesh.z.shape
    mapping = ", ".join(host.mappings) or "none fits"
    name = known.get((host.address, host.name), "")
    said = host.name or name
    here = f"{host.address} ({said}{', known' if host.name and name else ''})" if said else host.address
    return [here, f"{rows} x {columns}", mm(host.mesh.mesh.range_mm), mapping, host.mesh.identity or ""]


def _new(settings: Settings, found: Sequence[FoundHost]) -> list[FoundHost]:
    """Those that a mapping reads and that the configuration does not list yet."""
    known = _known(settings)
    return [host for host in found if host.mappings and (host.address, host.name) not in known]


def _show_others(what: str, hosts: Sequence[FoundHost]) -> None:
    if hosts:
        names = [f"{host.address}{f' ({host.name})' if host.name else ''}" for host in hosts]
        paragraph(f"{what}: {sanitize(joined(names, MOST_NAMED))}", hang=2)


def _show_lines(settings: Settings, new: Sequence[FoundHost]) -> None:
    if not new:
        return
    echo()
    echo("For machines.csv; give them the names that stand on the machines:", strong=True)
    paragraph("(the same with --csv prints them alone, as in: farmwatch find ... --csv >> machines.csv)")
    click.echo("name,aisle,model,mapping,address")
    _print_lines(settings, new)


def _print_lines(settings: Settings, new: Sequence[FoundHost]) -> None:
    from farmwatch.config import machine_line

    model = next(iter(settings.models)) if len(settings.models) == 1 else "FILL IN"
    for host in new:
        name = host.name or "host-" + "".join(
            sign if sign.isalnum() else "-" for sign in host.address.partition("//")[2]
        ).strip("-")
        row = {"name": name, "model": model, "mapping": host.mappings[0], "address": host.address}
        click.echo(sanitize(machine_line(row, ("name", "aisle", "model", "mapping", "address"))))


def _asked(app: App, name: str, address: str, model: str, mapping: str | None) -> str:
    """The mapping that reads the host's answer, once that was shown and held against the model."""
    from farmwatch.cli.mesh_fit import misfits
    from farmwatch.collect import fetch_mesh, fetcher_for
    from farmwatch.config import Machine

    settings = app.settings
    try:
        described = Machine(name=name, model=model, mapping=None, address=address, every_minutes=None)
    except ValueError:
        # What was typed may hold a password, so it is not repeated.
        raise InputError(
            "the name or the address cannot stand in the configuration; wanted a printable name, and an address such "
            'as "http://10.20.1.11" without user, password or query'
        ) from None
    names = list(settings.mappings) if mapping is None else [_only(mapping, settings.mappings, "mapping")]
    reasons = []
    with fetcher_for(settings) as fetcher:
        for one in names:
            machine = described.model_copy(update={"mapping": one})
            attempt = fetch_mesh(settings, machine, fetcher, app.now())
            if attempt.found is None:
                reasons.append(f"{one}: {attempt.outcome}, {attempt.reason}")
                continue
            mesh = attempt.found.mesh
            unfit = list(misfits(mesh, settings.models[model]))
            if unfit:
                reasons.append(f"{one}: {unfit[0].what}, {unfit[0].reason}; fix: {unfit[0].fix}")
                continue
            rows, columns = mesh.z.shape
            identity = f", it calls itself {attempt.found.identity}" if attempt.found.identity else ""
            echo(sanitize(f"{one} reads {rows} x {columns} heights, range {mm(mesh.range_mm)} mm{identity}"))
            return one
    raise InputError(sanitize(f"{name} is not added: " + "; ".join(reasons or ["no mapping is configured"])))


COMMANDS = (find, add)
