"""check and poll, against hosts on loopback."""

import json
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from farmwatch.history import Note
from farmwatch.store import Store

ANSWERS = {
    "/good": (200, {"survey": {"grid": [[0.01, 0.02, 0.0], [0.0, 0.03, 0.01], [0.02, 0.01, 0.0]]}}),
    "/bad": (200, {"survey": {"grid": "none"}}),
    "/shut": (401, {}),
}


class Handler(BaseHTTPRequestHandler):
    def do_GET(self):
        status, body = ANSWERS.get(self.path.replace("/v1/survey/latest", ""), (404, {}))
        payload = json.dumps(body).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(payload)))
        self.end_headers()
        self.wfile.write(payload)

    def log_message(self, *_):
        pass


@pytest.fixture
def hosts(farm):
    """Three machines that answer well, one that talks rubbish, two that want a key, one that is not there."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    root = f"http://127.0.0.1:{server.server_address[1]}"
    text = farm.config.read_text()
    text = text[: text.index("[[machines]]")]
    for name, path in (("heron-01", "/good"), ("heron-02", "/bad"), ("heron-03", "/shut"), ("heron-04", "/shut")):
        text += (
            f'[[machines]]\nname = "{name}"\nmodel = "tideframe-220"\nmapping = "survey-rows"\n'
            f'address = "{root}{path}"\n'
        )
    text += '[[machines]]\nname = "heron-05"\nmodel = "tideframe-220"\n'
    farm.config.write_text(text)
    yield farm
    server.shutdown()
    server.server_close()
    thread.join()


def test_check_ends_with_who_is_ready_and_groups_the_rest_with_the_fix(hosts):
    before = hosts.store.reading_count()
    code, out, err = hosts("check")

    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[-1] == "1 ready, 3 need you"
    assert "1 without a host: their meshes are imported (farmwatch import)" in lines
    assert lines.count("refused") == 1
    (line,) = [line for line in lines if line.startswith("  heron-03, heron-04: ")]
    assert "401" in line
    fixes = [index for index, line in enumerate(lines) if line.startswith("  fix: ")]
    assert [lines[index - 1] for index in fixes] == ["garbled", "refused"]
    assert "key or password" in lines[fixes[1]]
    assert hosts.store.reading_count() == before
    assert hosts.store.last_answers() == {}


def test_check_makes_no_database(hosts):
    path = hosts.config.with_name("farmwatch.duckdb")
    path.unlink()

    assert hosts("check")[0] == 0
    assert not path.exists()


def test_check_shows_what_is_worth_a_second_look(hosts):
    hosts.config.write_text(hosts.config.read_text().replace("at = [110, 215]", "at = [110, 2150]"))

    _, out, _ = hosts("check")

    assert out.startswith("worth a second look in the configuration\n")
    assert "1940 mm outside the mesh" in " ".join(out.split())


def test_poll_stores_what_it_reads_and_says_what_it_could_not(hosts):
    code, out, err = hosts("poll")

    assert (code, err) == (0, "")
    assert out.splitlines()[-1] == "4 machines asked: 1 garbled, 1 new, 2 refused"
    assert hosts.store.latest(["heron-01"])["heron-01"].mesh.rows == 3
    assert {name: last.outcome for name, last in hosts.store.last_answers().items()} == {
        "heron-01": "new", "heron-02": "garbled", "heron-03": "refused", "heron-04": "refused",
    }  # fmt: skip
    _, out, _ = hosts("poll", "--machine", "heron-01")
    assert out == "1 machine asked: 1 same\n"


def test_poll_of_an_unknown_machine_is_refused(hosts):
    code, _, err = hosts("poll", "--machine", "heron-1")

    assert code == 2
    assert 'did you mean "heron-01"?' in err


def flowing(text):
    return " ".join(text.split())


def test_check_holds_the_mesh_against_the_screws(hosts, spoil):
    """Made-up coordinates read well and would put a step of whole mm at the far screws."""
    spoil("y = [10, 210]", "y = [0, 40]")

    code, out, err = hosts("check")

    assert (code, err) == (0, "")
    assert out.splitlines()[-1] == "0 ready, 4 need you"
    assert "heron-01: the mesh spans 40 mm in y (0 to 40), the screws 205 mm (10 to 215)" in flowing(out)
    assert "as x and y of the mapping" in flowing(out)


def test_check_holds_the_mesh_against_the_bed(hosts, spoil):
    spoil("lead_mm = 8.0", "bed = [0, 0, 240, 240]\nlead_mm = 8.0")
    _, out, _ = hosts("check")
    assert "heron-01: the mesh covers 69 % of `bed`, at least 70 % is wanted" in flowing(out)
    assert (
        "would never be judged fix: widen the probed area, correct `bed` of the model, or lower covered_share"
        in flowing(out)
    )
    assert out.splitlines()[-1] == "0 ready, 4 need you"

    spoil("[models.", "[limits]\ncovered_share = 0.69\n\n[models.")
    assert "would never be judged" not in hosts("check")[1]

    spoil("bed = [0, 0, 240, 240]", "bed = [0, 0, 180, 220]")
    _, out, _ = hosts("check")
    assert "heron-01: the mesh reaches from 10 to 210 mm in x, `bed` from 0 to 180" in flowing(out)

    spoil("bed = [0, 0, 180, 220]", "bed = [0, 0, 220, 220]")
    assert hosts("check")[1].splitlines()[-1] == "1 ready, 3 need you"


@pytest.mark.parametrize("command", ["check", "poll"])
def test_trouble_is_an_exit_code_only_where_it_is_asked_for(hosts, command):
    text = hosts.config.read_text()
    assert hosts(command)[0] == 0
    assert hosts(command, "--fail-on", "trouble")[0] == 3
    assert hosts(command, "--fail-on", "nothing")[0] == 2

    head, first, *_ = text.split("[[machines]]")
    hosts.config.write_text(f"{head}[[machines]]{first}")
    assert hosts(command, "--fail-on", "trouble")[0] == 0


def test_a_host_whose_clock_runs_ahead_is_told_of(hosts, monkeypatch):
    ahead = datetime.now(UTC) + timedelta(hours=1, minutes=12)
    answer = {"survey": {**ANSWERS["/good"][1]["survey"], "finished": ahead.isoformat()}}
    monkeypatch.setitem(ANSWERS, "/good", (200, answer))
    text = hosts.config.read_text()
    hosts.config.write_text(text.replace("y = [10, 210]", 'y = [10, 210]\ntaken_at = "$.survey.finished"'))

    for command in ("check", "poll"):
        code, out, _ = hosts(command)
        assert code == 0
        assert "worth a second look heron-01: its time lies 1.2 h ahead: counted from when it was seen" in flowing(out)
    assert "1.2 h ahead" in hosts.store.last_answers()["heron-01"].reason


def test_poll_tells_of_machines_left_alone_only_where_they_were_asked_for(hosts, monkeypatch):
    monkeypatch.setattr(Store, "claims", lambda *_: frozenset({"heron-02"}))

    assert hosts("poll", "--machine", "heron-01")[1] == "1 machine asked: 1 new\n"
    left = "left alone, a guided realignment is at work: heron-02\n"
    assert hosts("poll", "--machine", "heron-02")[1] == left
    assert hosts("poll")[1].startswith(left)


def test_what_a_wrong_clock_dated_ahead_is_said_and_set_aside(hosts):
    ahead = datetime.now(UTC) + timedelta(days=365)
    newest = hosts.store.latest()["heron-01"]
    hosts.store.add_readings([replace(newest, taken_at=ahead, seen_at=ahead)])
    hosts.store.add_note(Note(machine="plover-01", at=ahead, what="replaced"))

    said = " ".join(hosts("check")[1].split())
    assert "dated ahead of this computer's clock 1 reading and 1 note of heron-01 and plover-01, up to " in said
    assert "they count for nothing until then" in said
    assert hosts.store.reading_count() == 81
    said = " ".join(hosts("check", "--set-aside-ahead")[1].split())
    assert "set aside: 1 reading and 1 note of heron-01 and plover-01, dated up to " in said
    assert hosts.store.reading_count() == 80
    said = hosts("check", "--set-aside-ahead")[1]
    assert "nothing lies ahead of the clock" in said
    said = " ".join(hosts("check", "--put-back-ahead")[1].split())
    assert "put back: 1 reading and 1 note of heron-01 and plover-01, dated up to" in said
    assert "dated ahead of this computer's clock" in hosts("check")[1]
    hosts("check", "--set-aside-ahead")
    assert hosts.store.aside_as_ahead().counts == {"readings": 1, "notes": 1}
    assert "ahead" not in hosts("check")[1]
