"""The invented farm: Saltmarsh Tidegate Works, its three aisles and its models of machine. Values only, no I/O."""

from __future__ import annotations

from farmwatch.model import Model, Screw

__all__ = ["AISLES", "FARM_NAME", "FARM_TIMEZONE", "GRIDS", "MODELS", "machine_name"]

FARM_NAME = "Saltmarsh Tidegate Works"
FARM_TIMEZONE = "Europe/Dublin"
AISLES = ("heron", "plover", "avocet")

MODELS: dict[str, Model] = {
    model.name: model
    for model in (
        Model(
            name="tideframe-220",
            screws=(
                Screw(name="front-left", x_mm=20.0, y_mm=10.0),
                Screw(name="front-right", x_mm=200.0, y_mm=10.0),
                Screw(name="rear", x_mm=110.0, y_mm=215.0, reference=True),
            ),
            lead_mm=8.0,
            pulley_teeth=20,
            clockwise="raises",
            bed=(0.0, 0.0, 220.0, 220.0),
            judge_from_celsius=45.0,
            probe_sigma_mm=0.006,
        ),
        Model(
            name="tideframe-350",
            screws=(
                Screw(name="front-left", x_mm=20.0, y_mm=20.0),
                Screw(name="front-right", x_mm=330.0, y_mm=20.0),
                Screw(name="rear-left", x_mm=20.0, y_mm=330.0, reference=True),
                Screw(name="rear-right", x_mm=330.0, y_mm=330.0),
            ),
            lead_mm=8.0,
            pulley_teeth=32,
            clockwise="lowers",
            bed=(0.0, 0.0, 350.0, 350.0),
            judge_from_celsius=45.0,
            probe_sigma_mm=0.006,
        ),
        Model(
            name="tideframe-160",
            screws=(
                Screw(name="left", x_mm=10.0, y_mm=80.0),
                Screw(name="right", x_mm=150.0, y_mm=80.0, reference=True),
            ),
            drive="free",
            bed=(0.0, 0.0, 160.0, 160.0),
            probe_sigma_mm=0.006,
        ),
    )
}

GRIDS: dict[str, tuple[int, float, float]] = {
    "tideframe-220": (7, 10.0, 210.0),
    "tideframe-350": (9, 15.0, 335.0),
    "tideframe-160": (5, 6.0, 154.0),
}
"""Per model: points a side, and the first and last coordinate in mm along x and along y alike."""


def machine_name(place: int) -> str:
    """The name of the machine at `place` (from 0): the aisles take turns, so that a small farm has all three."""
    return f"{AISLES[place % len(AISLES)]}-{place // len(AISLES) + 1:02d}"
