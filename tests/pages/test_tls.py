"""TLS in front: the same answers, nobody held up by a handshake that never ends, no port without TLS beside it."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from pathlib import Path

import pytest
import trustme

from farmwatch.config.settings import ServiceSection
from farmwatch.errors import FarmwatchError
from farmwatch.pages import PagesServer
from tests.pages.conftest import HEALTH, Pages

REQUEST = b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"


@pytest.fixture
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def service(tmp_path: Path, authority: trustme.CA) -> ServiceSection:
    issued = authority.issue_cert("localhost", "127.0.0.1")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "pages.pem")
    issued.private_key_pem.write_to_path(tmp_path / "pages.key")
    return ServiceSection.model_validate(
        {"listen": "127.0.0.1:0", "certificate": tmp_path / "pages.pem", "key": tmp_path / "pages.key"}
    )


@pytest.fixture
def server(works: Pages, service: ServiceSection) -> Iterator[PagesServer]:
    works.settings = works.settings.model_copy(update={"service": service})
    works.restart()
    found = PagesServer(works.app, service)
    found.start()
    yield found
    found.close()


def asked(server: PagesServer, authority: trustme.CA, request: bytes) -> bytes:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    with (
        socket.create_connection(("127.0.0.1", server.port), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as sock,
    ):
        sock.sendall(request)
        return b"".join(iter(lambda: sock.recv(65536), b""))


def test_the_same_answers_over_tls_with_the_address_of_the_browser(
    server: PagesServer, authority: trustme.CA, works: Pages
):
    assert asked(server, authority, REQUEST).endswith(HEALTH.body)
    answer = asked(server, authority, REQUEST.replace(b"/health", b"/sign-in"))
    assert answer.startswith(b"HTTP/1.1 200 ")
    assert b"Set-Cookie: __Host-farmwatch=" in answer
    assert b"Secure" in answer


def test_a_handshake_that_never_ends_and_plain_bytes_hold_nobody_up(server: PagesServer, authority: trustme.CA):
    silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(12)]
    with socket.create_connection(("127.0.0.1", server.port), timeout=5) as plain:
        plain.sendall(REQUEST)
        assert b"200" not in plain.recv(1000)

    assert asked(server, authority, REQUEST).endswith(HEALTH.body)
    for sock in silent:
        sock.close()


def test_a_certificate_that_cannot_be_used_is_said(works: Pages, service: ServiceSection, tmp_path: Path):
    (tmp_path / "pages.key").write_text("no key")

    with pytest.raises(FarmwatchError, match=r"service\.certificate .*cannot be used"):
        PagesServer(works.app, service)
