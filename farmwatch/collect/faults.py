"""The one way a part of collect says that no mesh came of it, and what each fault of a connection or answer is."""

from __future__ import annotations

import http.client
import socket
import ssl
from urllib.parse import urlsplit

from urllib3.exceptions import DecodeError, InvalidHeader

from farmwatch.collect.connection import Address
from farmwatch.errors import FarmwatchError
from farmwatch.outcomes import Outcome
from farmwatch.text import excerpt

__all__ = ["PollError", "network_error", "root", "shown", "status_error"]


class PollError(FarmwatchError):
    """No mesh came of it: `outcome` says in a word why, the message says it to a technician, `status` is HTTP's."""

    def __init__(self, outcome: Outcome, reason: str, status: int | None = None) -> None:
        super().__init__(reason)
        self.outcome: Outcome = outcome
        self.reason = reason
        self.status = status


def shown(url: str) -> str:
    """The URL as it may be read by anybody: without user, query and fragment."""
    try:
        return f"{Address.of(url)}{urlsplit(url).path}"
    except ValueError:
        return excerpt(url.split("?")[0].rsplit("@", 1)[-1])


def status_error(status: int, url: str) -> PollError:
    """The trouble with an HTTP status that is not 200 and no redirect."""
    said = f"{shown(url)} answers {status}"
    name = http.client.responses.get(status)
    said += f" ({name})" if name else ""
    if status in (204, 404):
        why = "it holds no mesh yet" if status == 204 else "no mesh yet, or the path is wrong"
        return PollError("no-mesh", f"{said}: {why}", status)
    if status in (401, 403, 407):
        return PollError("refused", f"{said}: it wants a key or a login, or another one", status)
    if status == 429:
        return PollError("host-error", f"{said}: it is asked too often", status)
    if status >= 500:
        return PollError("host-error", f"{said}: it has a fault of its own", status)
    return PollError("host-error", f"{said}: it does not take the question; look at path and query", status)


def root(error: BaseException) -> BaseException:
    """What the network, TLS or HTTP said, out of what requests and urllib3 have wrapped around it."""
    while True:
        reason = getattr(error, "reason", None)
        within = [each for each in (error.__cause__, reason, *error.args) if isinstance(each, BaseException)]
        if not within:
            return error
        error = within[0]


def network_error(error: BaseException, url: str) -> PollError:
    """Words for what the network, TLS or HTTP said; never the exception's own text, which may hold the query."""
    where = shown(url)
    if isinstance(error, ssl.SSLCertVerificationError):
        return PollError("host-error", f"{where}: {_about_certificate(error)}")
    if isinstance(error, ssl.SSLError):
        return PollError("host-error", f"{where} does not speak TLS as it should; is it http:// and not https://?")
    if isinstance(error, socket.gaierror):
        return PollError("unreachable", f"{where}: the name {Address.of(url).host!r} is not known here")
    if isinstance(error, ConnectionRefusedError):
        return PollError(
            "unreachable", f"{where} refuses the connection: nothing listens there, or it is still starting"
        )
    if isinstance(error, http.client.RemoteDisconnected | ConnectionResetError | BrokenPipeError):
        return PollError("unreachable", f"{where} dropped the connection before it had answered")
    if isinstance(error, http.client.IncompleteRead):
        return PollError("unreachable", f"{where} dropped the connection in the middle of its answer")
    if isinstance(error, DecodeError):
        return PollError("host-error", f"{where} packs its answer in a way that nobody asked for")
    if isinstance(error, http.client.HTTPException | InvalidHeader | ValueError):
        return PollError("host-error", f"{where} answers with something that is not HTTP")
    number = getattr(error, "errno", None)
    return PollError("unreachable", f"{where} cannot be reached" + (f" (error {number})" if number else ""))


def _about_certificate(error: ssl.SSLCertVerificationError) -> str:
    # X509_V_ERR_* of OpenSSL.
    if error.verify_code == 10:
        return "its certificate has expired"
    if error.verify_code in (62, 64):
        return "its certificate is for another name than this address"
    if error.verify_code in (18, 19, 20, 21):
        return "its certificate is signed by nobody known here; if the farm has its own authority, name it as ca_file"
    return f"its certificate does not hold ({excerpt(error.verify_message)})"
