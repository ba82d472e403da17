"""The document of `farmwatch assess --json`: farmwatch.assessment/1.

Plain JSON values only: mm to three decimals, mm/m to two, times RFC 3339 in UTC to the second. What cannot be known
is null. Keys are never taken away within version 1.
"""

from __future__ import annotations

from typing import Any

from farmwatch.follow import Drift, Forecast, Step
from farmwatch.judge.assessment import (
    Assessment,
    FleetAssessment,
    FormFacts,
    Plan,
    ReadingFacts,
    ScrewHeight,
    Spike,
    TiltFacts,
)
from farmwatch.times import rfc3339

__all__ = ["SCHEMA", "assessment_document", "machine_document"]

SCHEMA = "farmwatch.assessment/1"

Document = dict[str, Any]


def assessment_document(fleet: FleetAssessment) -> Document:
    """The fleet as one document of dicts, lists, strings, numbers, booleans and None."""
    return {
        "schema": SCHEMA,
        "at": rfc3339(fleet.at),
        "limits": {"usable_mm": _number(fleet.limits.usable_mm), "ideal_mm": _number(fleet.limits.ideal_mm)},
        "machines": [machine_document(one) for one in fleet.machines],
    }


def machine_document(one: Assessment) -> Document:
    """One entry of `machines`."""
    return {
        "machine": one.machine,
        "model": one.model.name,
        "aisle": one.aisle,
        "in_service": one.in_service,
        "host_answered_at": rfc3339(one.host_answered_at),
        "reading": _reading(one.reading),
        "range_mm": _number(one.range_mm),
        # Only where it differs from the raw one.
        **({} if one.judged_range_mm is None else {"judged_range_mm": _number(one.judged_range_mm)}),
        "range_sd_mm": _number(one.range_sd_mm),
        "tilt": _tilt(one.tilt),
        "form": _form(one.form),
        "spikes": [_spike(spike) for spike in one.spikes],
        "screws": [_screw(screw) for screw in one.screws],
        "tooth_floor_mm": _number(one.tooth_floor_mm),
        "condition": one.condition,
        "confirmed": one.confirmed,
        "since": rfc3339(one.since),
        "since_records_began": one.since_records_began,
        "cause": one.cause,
        "advice": list(one.advice),
        "plan": _plan(one.plan),
        "drift": _drift(one.drift),
        "suspected_step": _step(one.suspected_step),
        "steps": [_step(step) for step in one.steps],
        "forecast": _forecast(one.forecast),
        "ticket": None if one.ticket is None else one.ticket.document(),
    }


def _number(value: float | None, places: int = 3) -> float | None:
    # Adding zero turns -0.0 into 0.0.
    return None if value is None else round(float(value), places) + 0.0


def _numbers(values: dict[str, float]) -> dict[str, float | None]:
    return {name: _number(value) for name, value in values.items()}


def _reading(reading: ReadingFacts | None) -> Document | None:
    if reading is None:
        return None
    return {
        "taken_at": rfc3339(reading.taken_at),
        "time_from": reading.time_from,
        "rows": reading.rows,
        "columns": reading.columns,
        "bed_celsius": _number(reading.bed_celsius, 1),
        "plate": reading.plate,
        "judged": reading.judged,
    }


def _tilt(tilt: TiltFacts | None) -> Document | None:
    if tilt is None:
        return None
    return {
        "x_mm_per_m": _number(tilt.x_mm_per_m, 2),
        "y_mm_per_m": _number(tilt.y_mm_per_m, 2),
        "high_side": tilt.high_side,
    }


def _form(form: FormFacts | None) -> Document | None:
    if form is None:
        return None
    return {
        "flatness_ls_mm": _number(form.flatness_ls_mm),
        "flatness_mz_mm": _number(form.flatness_mz_mm),
        "rms_mm": _number(form.rms_mm),
        "shape": form.shape,
    }


def _spike(spike: Spike) -> Document:
    return {
        "row": spike.row,
        "column": spike.column,
        "x_mm": _number(spike.x_mm),
        "y_mm": _number(spike.y_mm),
        "stands_off_mm": _number(spike.stands_off_mm),
    }


def _screw(screw: ScrewHeight) -> Document:
    return {
        "name": screw.name,
        "height_mm": _number(screw.height_mm),
        "sd_mm": _number(screw.sd_mm),
        "reference": screw.reference,
    }


def _plan(plan: Plan | None) -> Document | None:
    if plan is None:
        return None
    found: Document = {
        "teeth": dict(plan.teeth),
        "range_after_mm": _number(plan.range_after_mm),
        "shims_mm": _numbers(plan.shims_mm),
        "range_after_shims_mm": _number(plan.range_after_shims_mm),
    }
    if not plan.teeth:
        # A free drive has no teeth: millimetres per screw instead.
        found["turn_mm"] = _numbers(plan.turn_mm)
    return found


def _drift(drift: Drift | None) -> Document | None:
    if drift is None:
        return None
    return {
        "since": rfc3339(drift.since),
        "readings": drift.readings,
        "mm_per_week": _numbers(drift.mm_per_week),
        "significant": drift.significant,
    }


def _step(step: Step | None) -> Document | None:
    if step is None:
        return None
    return {
        "at": rfc3339(step.at),
        "name": step.name,
        "screw": step.screw,
        "mm": _number(step.mm),
        "teeth": step.teeth,
        "also": [{"screw": screw, "teeth": teeth} for screw, teeth in step.also],
    }


def _forecast(forecast: Forecast | None) -> Document | None:
    if forecast is None:
        return None
    days = {"p10": forecast.p10, "p50": forecast.p50, "p90": forecast.p90}
    return {
        "horizon_days": forecast.horizon_days,
        # It is counted in draws, so never certain: 0.997 must not read as 1.
        "chance": _number(min(forecast.chance, 0.99), 2),
        "days": {name: None if day is None else round(day) for name, day in days.items()},
    }
