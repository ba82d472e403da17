"""To a webhook: a POST of CloudEvents 1.0 JSON, or of a body of the farm's own from a sandboxed template.

The receiver knows a repeat by the event's id (CloudEvents 1.0, section 3.1: source and id together are unique), which
also stands in the header Idempotency-Key (IETF draft, The Idempotency-Key HTTP Header Field).
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import requests
import urllib3

from farmwatch.collect.connection import GRACE_SECONDS, current_request
from farmwatch.collect.session import FarmSession
from farmwatch.collect.watchdog import Watchdog
from farmwatch.config import Secret, Settings, Webhook
from farmwatch.errors import FarmwatchError
from farmwatch.tickets.document import cautions_of
from farmwatch.tickets.outbox import Delivery

__all__ = ["DeliveryFault", "cloud_event", "render_body", "send_webhook"]

CLOUD_EVENTS = "application/cloudevents+json; charset=utf-8"
# An answer is read only so far that the connection can be closed in good order.
LARGEST_ANSWER = 16 * 1024
RENDER_SECONDS = 20.0


class DeliveryFault(FarmwatchError):
    """Something could not be delivered; the message says why, without secrets."""


def cloud_event(settings: Settings, delivery: Delivery) -> dict[str, Any]:
    """The delivery as a CloudEvents 1.0 event (JSON format 1.0)."""
    content = json.loads(delivery.content)
    return {
        "specversion": "1.0",
        "id": delivery.key,
        "source": f"/farmwatch/{quote(settings.farm.name, safe='')}",
        "type": f"farmwatch.ticket.{content['event']['action']}",
        "subject": f"ticket/{content['ticket']['ticket']}",
        "time": content["event"]["at"],
        "datacontenttype": "application/json",
        "data": {**content, "cautions": cautions_of(content["ticket"])},
    }


def render_body(template: str, delivery: Delivery) -> str:
    """The farm's own body. In the template stand `key`, `ticket`, `event` and `cautions`; `|tojson` quotes.

    Raises DeliveryFault where it does not render, in a process of its own, within bounds of time and memory.
    """
    content: Mapping[str, Any] = json.loads(delivery.content)
    given = {"template": template, "key": delivery.key, "ticket": content["ticket"], "event": content["event"]}
    given["cautions"] = cautions_of(content["ticket"])
    try:
        done = subprocess.run(
            [sys.executable, str(Path(__file__).with_name("rendering.py"))],
            input=json.dumps(given).encode("ascii"),
            capture_output=True,
            timeout=RENDER_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise DeliveryFault(f"the webhook's template does not render within {RENDER_SECONDS:g} s") from None
    if done.returncode < 0:
        raise DeliveryFault("the webhook's template takes too much time or memory to render")
    if done.returncode:
        why = (done.stderr.decode("utf-8", "replace").strip().splitlines() or ["no reason given"])[-1]
        raise DeliveryFault(f"the webhook's template does not render: {why}")
    return done.stdout.decode("utf-8", "replace")


def send_webhook(settings: Settings, hook: Webhook, delivery: Delivery) -> None:
    """Deliver one; raises DeliveryFault. Bounded in time (`deadline_seconds`) and in what it reads."""
    if hook.template is None:
        body, kind = json.dumps(cloud_event(settings, delivery), ensure_ascii=False), CLOUD_EVENTS
    else:
        try:
            template = hook.template.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as fault:
            raise DeliveryFault(f"the webhook's template {hook.template} cannot be read: {fault}") from fault
        body, kind = render_body(template, delivery), hook.content_type
    headers = {name: _plain(value) for name, value in hook.headers.items()}
    headers |= {"Content-Type": kind, "Idempotency-Key": json.dumps(delivery.key), "User-Agent": "farmwatch"}
    for name, value in headers.items():
        if not value.isascii() or not value.isprintable():
            raise DeliveryFault(f"the value of the header {name} has a character that no header may hold")
    _post(settings, hook, body.encode("utf-8", "replace"), headers)


def _post(settings: Settings, hook: Webhook, body: bytes, headers: Mapping[str, str]) -> None:
    """Post within the deadline, headers and a little of the answer included: the watchdog of the polls keeps it."""
    watchdog = Watchdog()
    try:
        with (
            FarmSession(1, settings.poll.ca_file, trust_env=settings.poll.trust_env) as session,
            watchdog.deadline(hook.deadline_seconds) as deadline,
        ):
            current_request.begin(deadline)
            try:
                request = requests.Request("POST", _plain(hook.url), data=body, headers=dict(headers)).prepare()
                with session.ask(request, deadline.left() + GRACE_SECONDS) as answer:
                    # Headers end where the socket is cut, and would pass for whole ones.
                    if deadline.expired:
                        raise TimeoutError
                    _skim(answer)
                    status = answer.status_code
            except (requests.RequestException, urllib3.exceptions.HTTPError, OSError, ValueError) as fault:
                # The words of the library repeat the address, in which a secret may stand: only the kind is told.
                said = "no answer within the deadline" if deadline.expired else _kind(fault)
                raise DeliveryFault(f"the webhook did not take it: {said}") from None
    finally:
        watchdog.close()
    if not 200 <= status < 300:
        raise DeliveryFault(f"the webhook answered {status}{_meaning(status)}")


def _skim(answer: requests.Response) -> None:
    """Read a little of the answer, so that the connection ends in good order: the status has said all that counts."""
    with contextlib.suppress(urllib3.exceptions.HTTPError, OSError):
        answer.raw.read(LARGEST_ANSWER, decode_content=False)


def _kind(fault: Exception) -> str:
    if isinstance(fault, requests.exceptions.SSLError):
        return "its certificate could not be verified"
    if isinstance(fault, requests.Timeout):
        return "no answer within the deadline"
    if isinstance(fault, requests.ConnectionError):
        return "no connection, or it was cut"
    return type(fault).__name__


def _meaning(status: int) -> str:
    if 300 <= status < 400:
        return ": it points elsewhere; give the final address"
    if status in (401, 403):
        return ": it does not accept our key"
    if status == 404:
        return ": nothing takes letters at that address"
    if status == 429:
        return ": too many at once; it is tried again later"
    return ""


def _plain(value: str | Secret) -> str:
    return value.reveal() if isinstance(value, Secret) else value
