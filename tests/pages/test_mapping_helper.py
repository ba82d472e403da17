"""The mapping helper: what it may ask, and that it asks nobody else."""

from __future__ import annotations

import json

import pytest

from farmwatch.config import Mapping
from farmwatch.config.settings import Machine
from farmwatch.config.settings import Pages as PagesSection
from tests.collect.hosts import serving
from tests.farm import MODEL, bed
from tests.pages.conftest import Pages, token


def read(farm: Pages, url: str):
    browser = farm.client()
    form = {"csrf_token": token(browser.get("/hosts/mapping").text), "url": url}
    return browser.post("/hosts/mapping", data=form)


def allowing(farm: Pages, *networks: str) -> Pages:
    section = PagesSection.model_validate({"may_ask": list(networks)})
    farm.settings = farm.settings.model_copy(update={"pages": section})
    return farm


@pytest.mark.long
@pytest.mark.parametrize(
    "url",
    ["http://127.0.0.1:8790/", "http://[::1]/", "http://169.254.169.254/latest", "http://10.21.0.1/", "http://0.0.0.0/",
     "http://localhost/", "http://2130706433/", "http://0x7f.1/", "http://10.20.1.11@127.0.0.1/",
     "http://10.20.1.11.evil.example/", "file:///etc/passwd", "ftp://10.20.1.11/", "http://", "http://[", "10.20.1.11",
     "http://10.20.1.11:99999/", "http://[::ffff:127.0.0.1]/", ""],
)  # fmt: skip
def test_whoever_is_not_listed_is_not_asked(farm: Pages, url: str, monkeypatch):
    monkeypatch.setattr("farmwatch.pages.mapping_helper.Fetcher", None)

    answer = read(allowing(farm, "10.20.0.0/16"), url)

    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


def test_an_answer_becomes_a_block_and_a_picture(farm: Pages):
    mesh = bed({"front-left": 0.4})
    body = json.dumps({"survey": {"grid": mesh.z.tolist(), "x": mesh.x.tolist(), "y": mesh.y.tolist()}}).encode()
    with serving({"/v1": lambda _: body, "/no": lambda _: b"{}"}) as host:
        allowing(farm, "127.0.0.0/8")
        answer = read(farm, f"{host.address}/v1")
        none = read(farm, f"{host.address}/no")

    assert answer.status_code == 200
    assert "[mappings.new-mapping]\npath = &#34;/v1&#34;" in answer.text
    assert '<svg class="sheet"' in answer.text
    assert none.status_code == 422
    assert "nothing in this answer can be a mesh" in none.text


def test_the_host_of_a_machine_may_be_asked_and_no_other_port_of_it(farm: Pages):
    with serving({"/v1": lambda _: b"[]"}) as host:
        machine = Machine(name="avocet-01", model=MODEL.name, mapping="survey", address=host.address)
        mapping = Mapping(name="survey", path="/v1", heights="$.g", x=(10.0, 210.0), y=(10.0, 210.0))
        farm.settings = farm.settings.model_copy(update={"machines": (machine,), "mappings": {"survey": mapping}})

        assert "can be a mesh" in read(farm, f"{host.address}/v1").text
        assert "may not be asked" in read(farm, "http://127.0.0.1:1/v1").text
