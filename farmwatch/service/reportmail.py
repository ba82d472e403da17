"""The weekly report as a letter: what stands on its first page, in words and as a page for mail readers.

Mail readers drop style sheets, scripts and drawings: so tables, inline styles, nothing from outside. The whole report
goes along as a file.
"""

from __future__ import annotations

import json
from email.message import EmailMessage
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from farmwatch.config import Mail
from farmwatch.judge.cautions import CAUTIONS, CAUTIONS_FOOT
from farmwatch.report import WeeklyView
from farmwatch.text import count, mm, sanitize
from farmwatch.tickets import Delivery, DeliveryFault
from farmwatch.tickets.mail import Attachment, MailText, compose

__all__ = ["CHANNEL", "report_letter", "report_message"]

CHANNEL = "report"
LARGEST_ATTACHMENT = 20 * 1024 * 1024


def report_letter(view: WeeklyView, path: Path) -> str:
    """The letter's content: subject, both texts, and where the whole report lies."""
    given = {"view": view, "name": path.name, "cautions": CAUTIONS, "foot": CAUTIONS_FOOT}
    environment = _environment()
    return json.dumps(
        {
            "subject": sanitize(f"{view.farm}, week {view.week}: {_hands(view)}"),
            "plain": environment.get_template("report.txt.j2").render(given),
            "html": environment.get_template("report.html.j2").render(given),
            "file": str(path),
        },
        ensure_ascii=False,
    )


def report_message(mail: Mail, letter: Delivery) -> EmailMessage:
    """The message of such a letter; raises DeliveryFault where the report's file cannot be read."""
    said = json.loads(letter.content)
    path = Path(said["file"])
    try:
        attached = path.read_bytes()
    except OSError as fault:
        raise DeliveryFault(
            f"{path}: {fault.strerror}; `farmwatch report --week {letter.key.partition('/')[2]}` writes it again"
        ) from None
    files: tuple[Attachment, ...] = (Attachment(name=path.name, kind="text/html", data=attached),)
    if len(attached) > LARGEST_ATTACHMENT:
        files = ()
    text = MailText(subject=said["subject"], plain=said["plain"], html=said["html"], attachments=files)
    return compose(mail, mail.report_to, letter.key, letter.created_at, text)


def _hands(view: WeeklyView) -> str:
    return f"{count(view.needing_work, 'machine')} to see to" if view.needing_work else "no machine needs hands"


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("farmwatch.service", "template"),
        autoescape=lambda name: name is not None and name.endswith(".html.j2"),
        undefined=StrictUndefined,
        finalize=lambda value: sanitize(value) if isinstance(value, str) else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(mm=mm, count=count)
    return environment
