"""One POST to a receiver of the farm's own, or a HEAD that only looks whether it is there, under one deadline.

Hosts are asked by GET alone.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

import requests
import urllib3

from farmwatch.collect.connection import GRACE_SECONDS, current_request
from farmwatch.collect.session import FarmSession
from farmwatch.collect.watchdog import Watchdog
from farmwatch.errors import FarmwatchError

__all__ = ["PostError", "post"]

# An answer is read only so far that the connection can be closed in good order.
LARGEST_ANSWER = 16 * 1024
_TOO_LATE = "no answer within the deadline"


class PostError(FarmwatchError):
    """The receiver gave no answer; the message says why, without its address, in which a secret may stand."""


def post(
    url: str,
    body: bytes | None,
    headers: Mapping[str, str],
    *,
    deadline_seconds: float,
    ca_file: Path | None,
    trust_env: bool,
) -> int:
    """Post `body` and return the answer's status; connect, headers and a little of the answer included in the deadline.

    Without a body only a HEAD is sent, to see whether somebody is there: it delivers nothing. Raises PostError where
    there is no answer, FarmwatchError where `ca_file` cannot be read.
    """
    watchdog = Watchdog()
    try:
        with FarmSession(1, ca_file, trust_env=trust_env) as session, watchdog.deadline(deadline_seconds) as deadline:
            current_request.begin(deadline)
            try:
                method = "HEAD" if body is None else "POST"
                request = requests.Request(method, url, data=body, headers=dict(headers)).prepare()
                with session.ask(request, deadline.left() + GRACE_SECONDS) as answer:
                    # Headers end where the socket is cut, and would pass for whole ones.
                    if deadline.expired:
                        raise TimeoutError
                    with contextlib.suppress(urllib3.exceptions.HTTPError, OSError):
                        answer.raw.read(LARGEST_ANSWER, decode_content=False)
                    return answer.status_code
            except (requests.RequestException, urllib3.exceptions.HTTPError, OSError, ValueError) as fault:
                # The words of the library repeat the address: only the kind is told.
                raise PostError(_TOO_LATE if deadline.expired else _kind(fault)) from None
    finally:
        watchdog.close()


def _kind(fault: Exception) -> str:
    if isinstance(fault, requests.exceptions.SSLError):
        return "its certificate could not be verified"
    if isinstance(fault, requests.Timeout):
        return _TOO_LATE
    if isinstance(fault, requests.ConnectionError):
        return "no connection, or it was cut"
    return type(fault).__name__
