"""To a webhook: a POST of CloudEvents 1.0 JSON, or of a body of the farm's own from a sandboxed template.

The receiver knows a repeat by the event's id (CloudEvents 1.0, section 3.1: source and id together are unique), which
also stands in the header Idempotency-Key (IETF draft, The Idempotency-Key HTTP Header Field).
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from farmwatch.config import Secret, Settings
from farmwatch.store import Store
from farmwatch.tickets.delivery import Delivery, DeliveryFault, Draft, News
from farmwatch.tickets.ticket import cautions_of

__all__ = ["cloud_event", "each_event", "look", "render_body", "send"]

CLOUD_EVENTS = "application/cloudevents+json; charset=utf-8"
RENDER_SECONDS = 20.0


def each_event(news: News) -> list[Draft]:
    """One delivery for every event not yet announced."""
    drafts = []
    for key, event in news.events:
        content = {"event": event.document(), "ticket": news.tickets[event.number].document()}
        drafts.append(Draft(key, "webhook", json.dumps(content, ensure_ascii=False, allow_nan=False)))
    return drafts


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


def send(settings: Settings, _: Store, delivery: Delivery) -> None:
    """Post one delivery; raises DeliveryFault. Bounded in time (`deadline_seconds`) and in what is read."""
    from farmwatch.collect import PostError, post

    hook = settings.webhook
    assert hook is not None  # the table of channels asks first
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
    url, poll = _plain(hook.url), settings.poll
    try:
        status = post(
            url,
            body.encode("utf-8", "replace"),
            headers,
            deadline_seconds=hook.deadline_seconds,
            ca_file=poll.ca_file,
            trust_env=poll.trust_env,
        )
    except PostError as fault:
        raise DeliveryFault(f"the webhook did not take it: {fault}") from None
    if not 200 <= status < 300:
        raise DeliveryFault(f"the webhook answered {status}{_meaning(status)}")


def look(settings: Settings) -> int:
    """The status with which the webhook's address answers a HEAD without our headers; raises DeliveryFault."""
    from farmwatch.collect import PostError, post

    hook, poll = settings.webhook, settings.poll
    assert hook is not None  # whoever asks has looked
    try:
        return post(
            _plain(hook.url),
            None,
            {"User-Agent": "farmwatch"},
            deadline_seconds=hook.deadline_seconds,
            ca_file=poll.ca_file,
            trust_env=poll.trust_env,
        )
    except PostError as fault:
        raise DeliveryFault(f"the webhook does not answer: {fault}") from None


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
