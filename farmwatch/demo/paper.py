"""The demo's files of its own: config.toml, machines.csv, the hosts' key, and the mark that says whose they are."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from farmwatch.demo.answers import HOST_KEY, PHRASINGS
from farmwatch.demo.farm import FARM_NAME, FARM_TIMEZONE, MODELS
from farmwatch.demo.truth import MachineTruth
from farmwatch.errors import InputError
from farmwatch.model import Model

__all__ = ["MARK", "Serving", "clear_folder", "write_configuration"]

MARK = "demo.json"
_FILES = ("config.toml", "machines.csv", "hosts.key", MARK)
_DATABASE = "farmwatch.duckdb"
_REPORTS = "reports"

_STOPPED = "Its hosts have stopped; their meshes are in the database."
_GOES_ON = "Its hosts answer while the demo runs."
_HEAD = f"""# The invented farm of `farmwatch demo`. {{hosts}}

machines_file = "machines.csv"

[farm]
name = "{FARM_NAME}"
timezone = "{FARM_TIMEZONE}"
database = "{_DATABASE}"
reports = "{_REPORTS}"
report_at = "mon 06:00"
working = "mon-fri 06:00-18:00"

[limits]
usable_mm = 0.20
ideal_mm = 0.10
mesh_old_after_days = 14
silent_after_hours = 24

[poll]
every_minutes = {{every_minutes:g}}
at_once = 16
deadline_seconds = 5
"""
_SERVING = """
[service]
listen = "{listen}"

[tickets]
probings_to_prove = 1            # so that a newcomer need not wait: a farm asks for two, an hour apart or more
"""


@dataclass(frozen=True, slots=True)
class Serving:
    """A demo whose farm goes on: where its pages are, and how often its hosts are asked."""

    listen: str
    every_minutes: float = 0.1


def clear_folder(folder: Path) -> None:
    """Make `folder` ready: new, empty, or an earlier demo, whose files are taken away. Raises InputError otherwise.

    The mark of an earlier demo stays until the next one writes its own, so that a run cut short can be replaced too.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is not a folder; give the demo a folder of its own with --dir")
    if not folder.exists() or not any(folder.iterdir()):
        folder.mkdir(parents=True, exist_ok=True)
        return
    if not _is_demo(folder / MARK):
        raise InputError(
            f"{folder} holds something that is not an earlier demo; nothing was touched. "
            "Give the demo an empty or a new folder with --dir"
        )
    for path in [folder / name for name in _FILES if name != MARK] + sorted(folder.glob(f"{_DATABASE}*")):
        path.unlink(missing_ok=True)
    reports = folder / _REPORTS
    if reports.is_symlink():
        reports.unlink()
    elif reports.exists():
        shutil.rmtree(reports)


def _is_demo(mark: Path) -> bool:
    try:
        document = json.loads(mark.read_bytes())
    except (OSError, ValueError):
        return False
    return isinstance(document, dict) and document.get("made_by") == "farmwatch demo"


def write_configuration(
    folder: Path,
    farm: tuple[MachineTruth, ...],
    addresses: Mapping[str, str],
    facts: Mapping[str, object],
    serving: Serving | None = None,
) -> Path:
    """Write the mark first, then the farm's files; returns the path of config.toml."""
    mark = json.dumps({"made_by": "farmwatch demo", **facts}, indent=1)
    (folder / MARK).write_text(mark + "\n", encoding="utf-8")
    (folder / "hosts.key").write_text(HOST_KEY + "\n", encoding="utf-8")
    rows = [f"{m.name},{m.aisle},{m.model},{m.mapping},{addresses[m.name]}" for m in farm]
    table = "\n".join(["name,aisle,model,mapping,address", *rows]) + "\n"
    (folder / "machines.csv").write_text(table, encoding="utf-8")
    models = {m.model for m in farm}
    mappings = {m.mapping for m in farm}
    every = 30.0 if serving is None else serving.every_minutes
    parts = [_HEAD.format(hosts=_STOPPED if serving is None else _GOES_ON, every_minutes=every)]
    if serving is not None:
        parts.append(_SERVING.format(listen=serving.listen))
    parts += [_model_text(model) for name, model in MODELS.items() if name in models]
    parts += [f"[mappings.{name}]\n{PHRASINGS[name].mapping}" for name in PHRASINGS if name in mappings]
    config = folder / "config.toml"
    config.write_text("\n".join(parts), encoding="utf-8")
    return config


def _model_text(model: Model) -> str:
    lines = [f"[models.{model.name}]", f'drive = "{model.drive}"']
    if model.lead_mm is not None:
        lines.append(f"lead_mm = {model.lead_mm:g}")
    if model.pulley_teeth is not None:
        lines.append(f"pulley_teeth = {model.pulley_teeth}")
    if model.clockwise is not None:
        lines.append(f'clockwise = "{model.clockwise}"')
    if model.bed is not None:
        lines.append(f"bed = [{', '.join(f'{side:g}' for side in model.bed)}]")
    if model.judge_from_celsius is not None:
        lines.append(f"judge_from_celsius = {model.judge_from_celsius:g}")
    if model.probe_sigma_mm is not None:
        lines.append(f"probe_sigma_mm = {model.probe_sigma_mm:g}")
    lines.append("screws = [")
    for screw in model.screws:
        mark = ", reference = true" if screw.reference else ""
        lines.append(f'  {{ name = "{screw.name}", at = [{screw.x_mm:g}, {screw.y_mm:g}]{mark} }},')
    return "\n".join([*lines, "]", ""])
