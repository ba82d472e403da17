"""Bad input over the wire: each has its outcome, a reason a technician understands, and leaves no reading."""

from __future__ import annotations

import gzip
import json
import socket
import ssl
import threading
import time
import zlib
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
import trustme
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from farmwatch.collect import Fetcher, poll_once
from farmwatch.config import Secret
from farmwatch.errors import FarmwatchError
from tests.collect.hosts import Canned, Host, raw, serving

GRID = {"grid": [[0.1, 0.2, 0.3], [0.0, 0.1, 0.2], [0.15, 0.11, 0.12]]}
BODY = json.dumps(GRID).encode()
HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
DEADLINE = 0.25

CANNED: dict[str, tuple[Any, str, str]] = {
    "empty body": (b"", "no-mesh", "empty"),
    "html in place of json": (b"<html><title>Sign in</title></html>", "garbled", "web page (titled 'Sign in')"),
    "truncated json": (BODY[:-5], "garbled", "breaks off"),
    "nan token": (b'{"grid": [[NaN, 1, 2]]}', "garbled", "NaN"),
    "infinity token": (b'{"grid": [[Infinity, 1, 2]]}', "garbled", "Infinity"),
    "text for a number": ({"grid": [["a", 1, 2]] * 3}, "garbled", "row 1, value 1 holds the text 'a'"),
    "boolean for a number": ({"grid": [[1, True, 2]] * 3}, "garbled", "row 1, value 2 holds true"),
    "ragged rows": ({"grid": [[1, 2, 3], [1, 2]]}, "garbled", "row 2 holds 2 heights"),
    "1 x n": ({"grid": [[1, 2, 3]]}, "implausible", "at least 3 x 3"),
    "nesting 100,000 deep": (b"[" * 100_000 + b"]" * 100_000, "garbled", "nested"),
    "wrong path": ({"mesh": GRID}, "no-mesh", "finds nothing"),
    "null heights": ({"grid": [[None] * 3] * 3}, "no-mesh", "all 9 heights are missing"),
    "many null heights": ({"grid": [[None, 1, 2]] * 3}, "implausible", "33% of the points are missing"),
    "wrong unit": ({"grid": [[0, 1, 2], [0, 1, 2], [0, 1, 200]]}, "implausible", "another unit"),
    "401": (Canned(status=401), "refused", "answers 401 (Unauthorized)"),
    "403": (Canned(status=403), "refused", "wants a key or a login"),
    "407": (Canned(status=407), "refused", "answers 407"),
    "204": (Canned(status=204), "no-mesh", "no mesh yet"),
    "404": (Canned(status=404), "no-mesh", "or the path is wrong"),
    "400": (Canned(status=400), "host-error", "look at path and query"),
    "429": (Canned(status=429), "host-error", "asked too often"),
    "500": (Canned(status=500, body=b"x" * 100), "host-error", "a fault of its own"),
    "503": (Canned(status=503), "host-error", "answers 503"),
    "odd status": (Canned(status=799), "host-error", "answers 799"),
    "not packed as it says": (Canned(BODY, headers={"Content-Encoding": "gzip"}), "garbled", "cannot be unpacked"),
    "packed in another way": (Canned(BODY, headers={"Content-Encoding": "br"}), "host-error", "nobody asked for"),
    "packed, cut": (Canned(gzip.compress(BODY)[:-12], headers={"Content-Encoding": "gzip"}), "garbled", "breaks off"),
    "gzip bomb": (
        Canned(gzip.compress(b"0" * 50_000_000), headers={"Content-Encoding": "gzip"}),
        "host-error",
        "larger than 256 KiB",
    ),
    "deflate bomb": (
        Canned(zlib.compress(b"0" * 50_000_000), headers={"Content-Encoding": "deflate"}),
        "host-error",
        "larger than 256 KiB",
    ),
    "too large": (b" " * 300_000, "host-error", "larger than 256 KiB"),
    "redirect elsewhere": (
        Canned(status=302, headers={"Location": "http://elsewhere.example/mesh?key=s3cret"}),
        "host-error",
        "redirects elsewhere, to http://elsewhere.example; only",
    ),
    "redirect to another port": (
        Canned(status=301, headers={"Location": "http://127.0.0.1:9/mesh"}),
        "host-error",
        "redirects elsewhere",
    ),
    "redirect to a file": (Canned(status=301, headers={"Location": "file:///etc/passwd"}), "host-error", "no web"),
    "redirect in a ring": (Canned(status=307, headers={"Location": "/mesh"}), "host-error", "more than 3 times"),
    "redirect to half an address": (Canned(status=302, headers={"Location": "http://[::1"}), "host-error", "no web"),
    "packed twenty times": (
        Canned(BODY, headers={"Content-Encoding": ", ".join(["gzip"] * 20)}),
        "host-error",
        "nobody asked for",
    ),
    "packed in too many parts": (
        Canned(gzip.compress(b"") * 1000 + gzip.compress(BODY), headers={"Content-Encoding": "gzip"}),
        "garbled",
        "more than 256 parts",
    ),
    "redirect to nowhere": (Canned(status=302), "host-error", "answers 302"),
}
WIRE: dict[str, tuple[Any, str, str]] = {
    "reset": (raw(lambda wire: wire.reset()), "unreachable", "dropped the connection"),
    "closed without a word": (raw(lambda wire: None), "unreachable", "dropped the connection"),
    "not http": (raw(lambda wire: wire.send(b"220 ready\r\n")), "host-error", "not HTTP"),
    "endless header line": (
        raw(lambda wire: wire.flood(HEAD + b"X: " + b"x" * 70_000, 1)),
        "host-error",
        "not HTTP",
    ),
    "too many headers": (
        raw(lambda wire: wire.send(HEAD + b"".join(b"X-%d: 1\r\n" % i for i in range(200)) + b"\r\n")),
        "host-error",
        "not HTTP",
    ),
    "cut in the body": (
        raw(lambda wire: wire.send(HEAD + b"Content-Length: 500\r\n\r\n" + BODY)),
        "unreachable",
        "in the middle of its answer",
    ),
    "cut in a chunk": (
        raw(lambda wire: wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\nfff\r\n" + BODY)),
        "unreachable",
        "in the middle of its answer",
    ),
    "no chunk size": (
        raw(lambda wire: wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\nxyz\r\n" + BODY)),
        "unreachable",
        "in the middle",
    ),
    "a body that never ends": (
        raw(lambda wire: (wire.send(HEAD + b"\r\n"), wire.flood(b"0" * 10_000, 100_000))),
        "host-error",
        "larger than 256 KiB",
    ),
    "chunks that never end": (
        raw(
            lambda wire: (
                wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\n"),
                wire.flood(b"1000\r\n" + b"0" * 4096 + b"\r\n", 100_000),
            )
        ),
        "host-error",
        "larger than 256 KiB",
    ),
    "two lengths": (
        raw(lambda wire: wire.send(HEAD + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\n" + BODY)),
        "host-error",
        "not HTTP",
    ),
    "announces too much": (
        raw(lambda wire: wire.send(HEAD + b"Content-Length: 99999999999\r\n\r\n0")),
        "host-error",
        "larger than",
    ),
}
SLOW: dict[str, Any] = {
    "never answers": raw(lambda wire: wire.hang()),
    "status drips": raw(lambda wire: wire.drip(HEAD + b"Content-Length: 5\r\n\r\n" + BODY, 0.05)),
    "a header drips": raw(lambda wire: (wire.send(HEAD), wire.drip(b"X: " + b"x" * 1000, 0.05))),
    "headers go on": raw(lambda wire: (wire.send(HEAD), wire.drip(b"X:1\r\n" * 1000, 0.05))),
    "the body drips": raw(
        lambda wire: (wire.send(HEAD + b"Content-Length: 1000\r\n\r\n"), wire.drip(b" " * 1000, 0.05))
    ),
    "a body without length drips": raw(
        # What has come when time is up is a whole document: it must not pass for the answer.
        lambda wire: (wire.send(HEAD + b"\r\n" + BODY), wire.drip(b" " * 1000, 0.05))
    ),
    "a packed body without length drips": raw(
        lambda wire: (
            wire.send(HEAD + b"Content-Encoding: gzip\r\n\r\n"),
            wire.drip(gzip.compress(BODY), 0.05),
        )
    ),
    "a chunk size drips": raw(
        lambda wire: (wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\n"), wire.drip(b"0" * 1000, 0.05))
    ),
    "chunks drip": raw(
        lambda wire: (wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\n"), wire.drip(b"1\r\n \r\n" * 1000, 0.02))
    ),
    "trailers drip": raw(
        lambda wire: (
            wire.send(HEAD + b"Transfer-Encoding: chunked\r\n\r\n%x\r\n%s\r\n0\r\n" % (len(BODY), BODY)),
            wire.drip(b"X: 1\r\n" * 1000, 0.02),
        )
    ),
    "only ever continues": raw(lambda wire: [wire.drip(b"HTTP/1.1 100 Continue\r\n\r\n", 0.01) for _ in range(100)]),
}


@pytest.fixture(scope="module")
def bad_host() -> Any:
    scripts = {f"/{name}": script for name, (script, _, _) in (CANNED | WIRE).items()}
    scripts["/redirect in a ring"] = Canned(status=307, headers={"Location": "/redirect%20in%20a%20ring"})
    with serving(scripts | {f"/{name}": script for name, script in SLOW.items()}) as host:
        yield host


class TestEachLeavesAnOutcome:
    @pytest.mark.parametrize("name", CANNED | WIRE)
    def test_outcome_and_reason(self, name, bad_host, farm, store, fetcher, now):
        _, outcome, words = (CANNED | WIRE)[name]
        settings = farm({name: bad_host.address}, path="/{machine}")
        (record,) = poll_once(settings, store, now, fetcher=fetcher).records
        assert (record.outcome, store.readings) == (outcome, [])
        assert words in record.reason
        assert store.polls == [record]
        assert "s3cret" not in record.reason
        assert len(record.reason) < 300

    @pytest.mark.parametrize("name", SLOW)
    def test_one_deadline_for_everything(self, name, bad_host, farm, store, now):
        settings = farm({name: bad_host.address}, poll={"deadline_seconds": DEADLINE}, path="/{machine}")
        start = time.monotonic()
        (record,) = poll_once(settings, store, now).records
        assert (record.outcome, store.readings) == ("timed-out", [])
        assert "no whole answer within 0.25 s" in record.reason
        # No timing of speed: a drip would take a minute, so that this only tells a deadline from none.
        assert time.monotonic() - start < 20

    def test_a_good_one_among_them_is_read(self, bad_host, farm, store, now):
        """The negative control: the same poll stores what is in order, beside hosts that hang."""
        with serving({"/heron-01": GRID}) as good:
            addresses = {**dict.fromkeys(list(SLOW)[:3], bad_host.address), "heron-01": good.address}
            settings = farm(addresses, poll={"deadline_seconds": DEADLINE, "at_once": 2}, path="/{machine}")
            found = poll_once(settings, store, now)
        assert [reading.machine for reading in store.readings] == ["heron-01"]
        assert sorted(record.outcome for record in found.records) == ["new", *["timed-out"] * 3]

    def test_a_million_heights(self, farm, store, now):
        with serving({"/mesh": {"grid": [[0] * 1000] * 1000}}) as host:
            settings = farm({"heron-01": host.address}, poll={"largest_answer_kib": 4096})
            (record,) = poll_once(settings, store, now).records
        assert (record.outcome, store.readings) == ("implausible", [])
        assert "1,000,000 heights" in record.reason

    def test_repeated_coordinates(self, farm, store, fetcher, now):
        with serving({"/mesh": {**GRID, "x": [10, 10, 20]}}) as host:
            (record,) = poll_once(farm({"heron-01": host.address}, x="$.x"), store, now, fetcher=fetcher).records
        assert (record.outcome, store.readings) == ("implausible", [])
        assert "without repeats; 10 is followed by 10" in record.reason


class TestUnreachable:
    def test_nothing_listens(self, farm, store, fetcher, now):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            address = f"http://127.0.0.1:{free.getsockname()[1]}"
            (record,) = poll_once(farm({"heron-01": address}), store, now, fetcher=fetcher).records
        assert (record.outcome, store.readings) == ("unreachable", [])
        assert "nothing listens there" in record.reason

    def test_no_such_name(self, farm, store, fetcher, now):
        (record,) = poll_once(farm({"heron-01": "http://heron-01.invalid"}), store, now, fetcher=fetcher).records
        assert record.outcome == "unreachable"
        assert "the name 'heron-01.invalid' is not known here" in record.reason

    def test_listens_and_never_accepts(self, farm, store, now):
        """A full backlog leaves connect without an answer: the deadline covers connecting too."""
        with socket.socket() as deaf:
            deaf.bind(("127.0.0.1", 0))
            deaf.listen(0)
            fillers = [socket.socket() for _ in range(4)]
            for filler in fillers:
                filler.setblocking(False)
                filler.connect_ex(deaf.getsockname())
            settings = farm({"heron-01": f"http://127.0.0.1:{deaf.getsockname()[1]}"}, poll={"deadline_seconds": 0.3})
            (record,) = poll_once(settings, store, now).records
            for filler in fillers:
                filler.close()
        assert (record.outcome, store.readings) == ("timed-out", [])


class TestIdentity:
    def test_another_machine_at_the_address_stores_nothing(self, farm, store, fetcher, now):
        with serving({"/mesh": {**GRID, "serial": "T-104"}}) as host:
            settings = farm({"heron-01": host.address}, identity="$.serial")
            poll_once(settings, store, now, fetcher=fetcher)
            assert store.pins == {"heron-01": "T-104"}
            host.scripts["/mesh"] = {"grid": [[1, 2, 3]] * 3, "serial": "T-105"}
            (record,) = poll_once(settings, store, now, fetcher=fetcher).records
        assert record.outcome == "other-machine"
        assert "it calls itself 'T-105'; the machine known here is 'T-104'" in record.reason
        assert len(store.readings) == 1
        assert store.pins == {"heron-01": "T-104"}


def tls_host(authority: trustme.CA, *names: str, expired: bool = False) -> Host:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    more = {"not_after": datetime(2020, 1, 1, tzinfo=UTC)} if expired else {}
    authority.issue_cert(*names, **more).configure_cert(context)
    return Host({"/mesh": GRID}, context)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def ca_file(authority, tmp_path) -> Path:
    path = tmp_path / "farm-ca.pem"
    authority.cert_pem.write_to_path(path)
    return path


@pytest.fixture(scope="module")
def self_signed() -> tuple[bytes, bytes]:
    """A certificate for 127.0.0.1 that only itself vouches for, and its key, both PEM."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "heron-01")])
    own = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(datetime.now(UTC) - timedelta(days=1))
        .not_valid_after(datetime.now(UTC) + timedelta(days=30))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    plain = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return own.public_bytes(serialization.Encoding.PEM), key.private_bytes(*plain)


class TestTls:
    @pytest.mark.parametrize("with_ca", [True, False])
    def test_a_certificate_signed_by_itself(self, with_ca, self_signed, farm, store, now, tmp_path):
        """It is taken where it stands in the farm's own CA file, and nowhere else."""
        own, both = tmp_path / "own.pem", tmp_path / "both.pem"
        own.write_bytes(self_signed[0])
        both.write_bytes(self_signed[0] + self_signed[1])
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(both)
        with serving({"/mesh": GRID}, context) as host:
            settings = farm({"heron-01": host.address}, poll={"ca_file": own if with_ca else None})
            (record,) = poll_once(settings, store, now).records
        assert record.outcome == ("new" if with_ca else "host-error")
        assert len(store.readings) == with_ca
        assert ("signed by nobody known here" in record.reason) == (not with_ca)

    @pytest.mark.parametrize(
        ("names", "expired", "with_ca", "outcome", "words"),
        [
            (["127.0.0.1"], False, True, "new", ""),
            (["127.0.0.1"], False, False, "host-error", "signed by nobody known here"),
            (["heron-02.example"], False, True, "host-error", "for another name"),
            (["127.0.0.1"], True, True, "host-error", "has expired"),
        ],
    )
    def test_certificates(self, names, expired, with_ca, outcome, words, authority, ca_file, farm, store, now):
        host = tls_host(authority, *names, expired=expired)
        settings = farm({"heron-01": host.address}, poll={"ca_file": ca_file if with_ca else None})
        (record,) = poll_once(settings, store, now).records
        host.close()
        assert record.outcome == outcome
        assert words in record.reason
        assert len(store.readings) == (outcome == "new")

    def test_connections_are_kept_and_timed_under_tls_too(self, authority, ca_file):
        host = tls_host(authority, "127.0.0.1")
        host.scripts["/slow"] = raw(lambda wire: (wire.send(HEAD + b"\r\n"), wire.drip(b" " * 1000, 0.05)))
        with Fetcher(deadline_seconds=DEADLINE, ca_file=ca_file) as fetcher:
            assert fetcher.get(f"{host.address}/mesh").body == fetcher.get(f"{host.address}/mesh").body == BODY
            assert host.connections == 1
            with pytest.raises(FarmwatchError, match="no whole answer within"):
                fetcher.get(f"{host.address}/slow")
        host.close()

    def test_a_handshake_that_never_comes(self, farm, store, now):
        with socket.create_server(("127.0.0.1", 0)) as mute:
            settings = farm({"heron-01": f"https://127.0.0.1:{mute.getsockname()[1]}"}, poll={"deadline_seconds": 0.3})
            (record,) = poll_once(settings, store, now).records
        assert record.outcome == "timed-out"

    def test_plain_http_where_tls_was_meant(self, farm, store, fetcher, now):
        with serving({"/mesh": GRID}) as host:
            settings = farm({"heron-01": host.address.replace("http:", "https:")})
            (record,) = poll_once(settings, store, now, fetcher=fetcher).records
        assert record.outcome == "host-error"
        assert "is it http://" in record.reason

    def test_a_ca_file_that_is_none(self, tmp_path):
        path = tmp_path / "ca.pem"
        path.write_text("no certificate")
        with pytest.raises(FarmwatchError, match="cannot be read as a file of PEM certificates"):
            Fetcher(ca_file=path)


class TestSecrets:
    def test_sent_but_never_said(self, farm, store, fetcher, now, monkeypatch, tmp_path):
        monkeypatch.setenv("SHOP_KEY", "open sesame")
        (tmp_path / "shop.key").write_text("k/9&x\n")
        given = {
            "headers": {"X-Shop-Key": Secret("env:SHOP_KEY", tmp_path)},
            "query": {"key": Secret("file:shop.key", tmp_path)},
        }
        echo = Canned(b'{"grid": "open sesame k/9&x"}')
        outcomes = [Canned(status=s) for s in (401, 404, 500)] + [echo, raw(lambda wire: wire.reset())]
        with serving({}) as host:
            for script in outcomes:
                host.scripts["/mesh"] = script
                poll_once(farm({"heron-01": host.address}, **given), store, now, fetcher=fetcher)
            assert host.headers[0]["X-Shop-Key"] == "open sesame"
            assert host.asked[0] == "/mesh?key=k%2F9%26x"
        assert len(store.polls) == len(outcomes)
        for record in store.polls:
            assert record.outcome != "new"
            for secret in ("sesame", "k/9", "k%2F9", "key="):
                assert secret not in record.reason

    def test_a_secret_that_is_not_there(self, farm, store, fetcher, now, monkeypatch, tmp_path):
        monkeypatch.delenv("SHOP_KEY", raising=False)
        with serving({"/mesh": GRID}) as host:
            settings = farm({"heron-01": host.address}, headers={"X-Key": Secret("env:SHOP_KEY", tmp_path)})
            (record,) = poll_once(settings, store, now, fetcher=fetcher).records
            assert host.asked == []
        assert record.outcome == "refused"
        assert "SHOP_KEY" in record.reason


def test_no_thread_or_socket_is_left_over():
    assert [thread.name for thread in threading.enumerate() if thread.name.startswith("farmwatch")] == []
