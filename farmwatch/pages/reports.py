"""The weekly reports: a list of the editions, and each as it was written."""

from __future__ import annotations

import base64
import json
import re
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from flask import Response, abort, request

from farmwatch.pages.app import source
from farmwatch.pages.look import page

__all__ = ["file", "reports"]

_NAME = re.compile(r"farmwatch-\d{4}-W\d{2}\.(html|json|csv)|index\.html")
_STYLE = re.compile(rb"<style>(.*?)</style>", re.DOTALL)
_KINDS = {"html": "text/html; charset=utf-8", "json": "application/json", "csv": "text/csv; charset=utf-8"}
MOST = 260
LARGEST = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """One week's report."""

    week: str
    name: str
    summary: str
    """Its first sentence, where its numbers lie beside it."""


def reports() -> Response:
    """Every edition, the newest on top."""
    folder = _folder()
    names = sorted((path.name for path in folder.glob("farmwatch-*.html") if _NAME.fullmatch(path.name)), reverse=True)
    editions = [
        Edition(week=name[10:18], name=name, summary=_summary(folder / f"{name[:-5]}.json") if number < 8 else "")
        for number, name in enumerate(names[:MOST])
    ]
    return page("reports.html", editions=editions, index=(folder / "index.html").is_file())


def file(name: str) -> Response:
    """One file of an edition, whole."""
    path = _folder() / name
    if not _NAME.fullmatch(name) or path.is_symlink() or not path.is_file() or path.stat().st_size > LARGEST:
        abort(404)
    kind = name.rpartition(".")[2]
    body = path.read_bytes()
    answer = Response(body, content_type=_KINDS[kind])
    answer.add_etag()
    if kind == "html":
        # Its own style stands in it, known by its digest; nothing may be loaded or run.
        found = _STYLE.search(body)
        digest = base64.b64encode(sha256(found[1]).digest()).decode() if found else ""
        answer.headers["Content-Security-Policy"] = (
            f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.make_conditional(request)
    return answer


def _folder() -> Path:
    return source().settings().farm.reports


def _summary(path: Path) -> str:
    with suppress(OSError, ValueError):
        if path.stat().st_size <= LARGEST:
            return str(json.loads(path.read_bytes()).get("summary", ""))[:400]
    return ""
