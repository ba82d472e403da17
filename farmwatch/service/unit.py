"""The systemd unit, hardened, with the lines that make its user, its folders and its secrets file. Pure but for paths.

What each setting means stands in systemd.exec(5). `systemd-analyze security` rates the unit; what it would still have
(no network, no resource calls) a service that asks hosts and bounds its own memory cannot give up.
"""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import textwrap
from collections.abc import Iterable
from pathlib import Path

from farmwatch.config import Settings
from farmwatch.errors import FarmwatchError
from farmwatch.service.logs import secret_sources

__all__ = ["USER", "python_places", "refuse_hidden", "system_python", "unit_text"]

USER = "farmwatch"
STATE = Path("/var/lib/farmwatch")
SECRETS = Path("/etc/farmwatch/secrets.env")
PLACE = "/opt/farmwatch"
OLDEST_PYTHON = (3, 11)
SYSTEM_PYTHONS = (
    Path("/usr/bin/python3"), *(Path(f"/usr/bin/python3.{minor}") for minor in range(19, 10, -1)),
    Path("/usr/local/bin/python3"),
)  # fmt: skip
# A hardened service does not see these, or sees empty ones of its own.
HOMES = (Path("/home"), Path("/root"), Path("/run/user"))
HIDDEN = (*HOMES, Path("/tmp"), Path("/var/tmp"))
# And it may not write here.
SYSTEM = (Path("/etc"), Path("/usr"), Path("/boot"), Path("/efi"))

_UNIT = """\
[Unit]
Description=farmwatch: watches the beds of {farm}
Documentation=man:systemd.exec(5)
Wants=network-online.target
After=network-online.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={program} --config {config} run
ExecReload=/bin/kill -HUP $MAINPID
User={user}
Group={user}
Restart=on-failure
RestartSec=10
# A fault in the configuration is not mended by trying again.
RestartPreventExitStatus=2
WatchdogSec=180
TimeoutStopSec=30
EnvironmentFile=-{secrets}
# The C library keeps a heap for every thread otherwise.
Environment=MALLOC_ARENA_MAX=2
{writes}
LimitNOFILE=65536
UMask=0027

ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
PrivateUsers=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectProc=invisible
ProcSubset=pid
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
KeyringMode=private
DevicePolicy=closed
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target
"""


def unit_text(settings: Settings, program: Path) -> str:
    """The unit for this configuration and this `farmwatch`, with the lines to type once as comments at its head.

    Raises FarmwatchError where the service could not see or write what it needs.
    """
    config = settings.path
    if config is None:
        raise FarmwatchError("the configuration has no file that a service could read")
    _refuse_places(settings, config)
    folders = _folders(settings)
    unit = _UNIT.format(
        farm=_fit(settings.farm.name),
        program=_quoted(program),
        config=_quoted(config),
        user=USER,
        secrets=SECRETS,
        writes=_writes(folders),
    )
    return _head(settings, config, folders) + "\n" + unit


def refuse_hidden(prefixes: Iterable[str]) -> None:
    """Raise FarmwatchError where this Python, or what it stands on, lies where a hardened service does not look."""
    prefixes = tuple(prefixes)
    for prefix in prefixes:
        real = Path(prefix).resolve()
        for home in (*HIDDEN, Path.home()):
            if home != Path("/") and real.is_relative_to(home):
                raise FarmwatchError(
                    f"this Python is {real}, under {home}, which a hardened service does not see; "
                    f"{_elsewhere(again=PLACE in prefixes)}"
                )


def python_places() -> tuple[str, ...]:
    """Where the Python that runs this, and farmwatch itself, lie."""
    return (sys.prefix, sys.base_prefix, os.path.realpath(sys.executable), str(Path(__file__).parents[1]))


def _elsewhere(again: bool) -> str:
    """How to put farmwatch where a service sees it, or put it there `again`, by the path of a Python: plain `python3`
    may be the very one under a home."""
    # An environment that is there keeps its Python, unless it is made anew.
    clear = " --clear" if again else ""
    found = system_python(SYSTEM_PYTHONS)
    if found is None:
        oldest = ".".join(map(str, OLDEST_PYTHON))
        return (
            f"first install a Python of at least {oldest} outside the home folders, such as the system's own; with it, "
            f"from farmwatch's clone: sudo /PATH/TO/THAT/python3 -m venv{clear} {PLACE} && "
            f"sudo {PLACE}/bin/pip install ., then: {PLACE}/bin/farmwatch service-unit"
        )
    return (
        f"put farmwatch where it does, with the system's own Python, from its clone: sudo {found} -m venv{clear} "
        f"{PLACE} && sudo {PLACE}/bin/pip install ., then: {PLACE}/bin/farmwatch service-unit"
    )


def system_python(candidates: Iterable[Path]) -> Path | None:
    """The first of these that a hardened service sees and that is new enough for farmwatch."""
    asking = f"import sys; raise SystemExit(sys.version_info < {OLDEST_PYTHON})"
    for path in candidates:
        real = path.resolve()
        if not real.is_file() or any(real.is_relative_to(hidden) for hidden in HIDDEN):
            continue
        try:
            said = subprocess.run([path, "-I", "-c", asking], capture_output=True, timeout=20, check=False)
        except (OSError, subprocess.SubprocessError):
            continue
        if said.returncode == 0:
            return path
    return None


def _refuse_places(settings: Settings, config: Path) -> None:
    farm = settings.farm
    places = {"the configuration": config, "farm.database": farm.database, "farm.reports": farm.reports}
    for key, path in places.items():
        for hidden in HIDDEN:
            if path.is_relative_to(hidden):
                raise FarmwatchError(
                    f"{key} is {path}, under {hidden}, which a hardened service does not see; "
                    f"put the configuration into {SECRETS.parent}, database and reports into {STATE}"
                )
        if key.startswith("farm.") and any(path.is_relative_to(system) for system in SYSTEM):
            raise FarmwatchError(
                f'{key} is {path}, where a hardened service may not write; wanted: {key.partition(".")[2]} = "'
                f'{STATE / path.name}"'
            )


def _folders(settings: Settings) -> list[Path]:
    """What the service writes to, each folder once, those inside another left out."""
    wanted = sorted({settings.farm.database.parent, settings.farm.reports})
    return [path for path in wanted if not any(path != other and path.is_relative_to(other) for other in wanted)]


def _writes(folders: list[Path]) -> str:
    lines = []
    if any(folder.is_relative_to(STATE) for folder in folders):
        lines += [f"StateDirectory={STATE.name}", "StateDirectoryMode=0750"]
    others = [_quoted(folder) for folder in folders if not folder.is_relative_to(STATE)]
    if others:
        lines.append(f"ReadWritePaths={' '.join(others)}")
    return "\n".join(lines)


def _head(settings: Settings, config: Path, folders: list[Path]) -> str:
    lines = ["farmwatch.service, to be put into /etc/systemd/system/."]
    lines += _exposed(config, folders)
    lines += ["Before its first start, once:", ""]
    lines.append(
        f"  sudo useradd --system --user-group --no-create-home --home-dir {STATE} --shell /usr/sbin/nologin {USER}"
    )
    lines += [f"  sudo install -d -o {USER} -g {USER} -m 0750 {shlex.quote(str(folder))}" for folder in folders]
    lines.append(f"  sudo chgrp -R {USER} {shlex.quote(str(config.parent))}")
    if config.parent != SECRETS.parent:
        lines.append(f"  sudo install -d -o root -g {USER} -m 0750 {SECRETS.parent}")
    lines += _secret_lines(settings)
    lines += ["", "Then: sudo systemctl daemon-reload && sudo systemctl enable --now farmwatch"]
    return "\n".join(f"# {line}".rstrip() for line in lines) + "\n"


def _exposed(config: Path, folders: list[Path]) -> list[str]:
    """A warning where what the service writes lies with the configuration that it should only read."""
    if not any(config.is_relative_to(folder) for folder in folders):
        return []
    words = (
        f"Mind: {config.parent} holds the configuration and what the service writes, so the service could change its "
        f"own configuration. Better, in [farm] (move along what is there already):"
    )
    wanted = [f'  database = "{STATE / "farmwatch.duckdb"}"', f'  reports = "{STATE / "reports"}"']
    return ["", *textwrap.wrap(words, 76), *wanted, ""]


def _secret_lines(settings: Settings) -> list[str]:
    names: set[str] = set()
    files: set[str] = set()
    for secret in secret_sources(settings):
        kind, _, what = secret.source.partition(":")
        (names if kind == "env" else files).add(what)
    lines = [f"  sudo install -o root -g {USER} -m 0640 /dev/null {SECRETS}"]
    lines += [f"    and in it a line {name}=…" for name in sorted(names)]
    for name in sorted(files):
        path = name if Path(name).is_absolute() else str((settings.path or Path()).parent / name)
        lines.append(f"  sudo chown root:{USER} {shlex.quote(path)} && sudo chmod 0640 {shlex.quote(path)}")
    return lines


def _quoted(path: Path) -> str:
    """A path as a unit's command line wants it: % and $ doubled, quoted where it holds blanks."""
    text = str(path).replace("%", "%%").replace("$", "$$")
    if text.isprintable() and not set(text) & set(" \"'\\;"):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _fit(name: str) -> str:
    return " ".join("".join(letter if letter.isprintable() else " " for letter in name).split()).replace("%", "%%")
