"""What a company has learned, from its sites' lake to a new farm's forecasts."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import orjson
import pytest

from farmwatch.assess import assess
from farmwatch.company import Engine, read_priors, take_priors, write_company
from farmwatch.company.pooling import pool_shares
from farmwatch.company.priors import prior_sentences
from farmwatch.config.settings import Company
from farmwatch.errors import InputError
from farmwatch.foresight import learn_drift
from farmwatch.report import Week
from farmwatch.store.records import LearnedDrift
from tests.company.lakes import EXPORTED_AT, a_farm
from tests.farm import MODEL, NOW, bed, reading
from tests.follow.weights import standing_weights

COMPANY = Company.model_validate({"name": "Saltmarsh Tidegate Works", "timezone": "Europe/Dublin"})


@pytest.fixture(scope="module")
def priors(tmp_path_factory, new_database) -> Path:
    """The file that a company's report brings: two sites, at which nearly every machine stands still."""
    top = tmp_path_factory.mktemp("priors")
    for site, machines, share in (("Heron Point", 60, 0.9), ("Plover Quay", 30, 0.96)):
        farm = a_farm(top / site, new_database, site, {"heron-01": 0.1}, days=range(-20, 0, 4))
        told = LearnedDrift(model=MODEL.name, learned_at=NOW, machines=machines, weights=standing_weights(share))
        farm.store.add_learned_drift([replace(told, learned_at=NOW.replace(day=20))])
        farm.export(top / "lake")
    week = Week.read("2026-W47")
    _, page = write_company(COMPANY, str(top / "lake"), top / "out", EXPORTED_AT, week, engine=Engine(jobs=1))
    return page.with_suffix(".priors.json")


def test_the_sites_kinds_of_drift_count_by_their_machines(priors):
    drift = read_priors(priors)["models"][MODEL.name]["drift"]
    assert drift["machines"] == 90
    assert drift["weights"]["still"] == pytest.approx((60 * 0.9 + 30 * 0.96) / 90, abs=1e-5)
    assert math.fsum(drift["weights"].values()) == pytest.approx(1.0, abs=1e-4)
    assert drift["moving"]["low"] < drift["moving"]["mean"] < drift["moving"]["high"] < 0.5


def test_a_new_farm_forecasts_from_its_first_week_as_the_others_have_learned(priors, tmp_path, new_database):
    farm = a_farm(tmp_path, new_database, "Tern Lock", {"tern-01": 0.10}, days=[])
    # Eight meshes of three weeks that seem to rise by 0.006 mm, in a noise of 0.008 mm a point.
    rising = [bed({"front-left": 0.07 + 0.006 * i / 7}, noise_mm=0.008, seed=i) for i in range(8)]
    farm.store.add_readings([reading(mesh, "tern-01", days=3.0 * i - 21.5) for i, mesh in enumerate(rising)])
    before = assess(farm.settings, farm.store, EXPORTED_AT).machines[0].forecast
    said = take_priors(farm.store, read_priors(priors), {MODEL.name, "slipway-300"}, NOW)
    after = assess(farm.settings, farm.store, EXPORTED_AT).machines[0].forecast
    assert before is not None
    assert after is not None
    # Of machines that stand still nearly everywhere one with eight readings is not called drifting.
    assert after.chance < 0.3 * before.chance
    assert before.chance > 0.5
    assert any("drift (80 %" in sentence for sentence in said)
    assert "slipway-300: the company has no machine of this model." in said
    # One machine teaches nothing: what was taken over stays.
    assert learn_drift(farm.settings, farm.store, EXPORTED_AT.replace(month=12)) == []
    assert farm.store.learned_drift()[MODEL.name].machines == 90
    assert orjson.loads(farm.store.company_priors() or "")["schema"] == "farmwatch.priors/1"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"no json", "is no JSON"),
        (b"[1]", "another program's"),
        (b'{"schema": "farmwatch.priors/2", "models": {}}', "is farmwatch.priors/2; wanted farmwatch.priors/1"),
        (b'{"schema": "farmwatch.priors/1", "models": {"m": {"jumps": 3}}}', "is not whole"),
        (b'{"schema": "farmwatch.priors/1"}', "is not whole"),
    ],
)
def test_a_file_that_is_none_is_refused(tmp_path, body, said):
    (tmp_path / "p.json").write_bytes(body)
    with pytest.raises(InputError, match=said):
        read_priors(tmp_path / "p.json")


def test_kinds_of_drift_of_another_version_are_left_out_and_said(priors, tmp_path, new_database):
    document = read_priors(priors)
    document["models"][MODEL.name]["drift"]["weights"] = {"hops": 1.0}
    farm = a_farm(tmp_path, new_database, "Tern Lock", {"tern-01": 0.10}, days=[-1])
    said = take_priors(farm.store, document, {MODEL.name}, NOW)
    assert any("are not those of this farmwatch" in sentence for sentence in said)
    assert farm.store.learned_drift() == {}


def test_repairs_are_told_of_from_eight_on():
    rate = {"per_machine_month": {"mean": 0.2, "low": 0.1, "high": 0.3}}
    model = {
        "sites": 2,
        "machines": 50,
        "jumps": None,
        "drift": None,
        "repairs": {"realign": {"repairs": 9, "ended": 4, **rate}, "shim": {"repairs": 7, "ended": 1, **rate}},
    }
    assert prior_sentences({"models": {"tideframe-220": model}}) == [
        "tideframe-220: half of the repairs by realign last about 15 weeks (n = 9, 4 needed work again)."
    ]


def test_shares_are_drawn_towards_each_other():
    told = pool_shares([9.0, 45.0, 0.0], [10.0, 50.0, 2.0])
    assert told is not None
    sites, new = told
    assert 0.85 < sites[1].mean < 0.91
    assert 0.4 < sites[2].mean < 0.9
    assert sites[1].high - sites[1].low < new.high - new.low
    assert pool_shares([], []) is None
