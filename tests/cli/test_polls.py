"""check and poll, against hosts on loopback."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

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
