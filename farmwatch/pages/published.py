"""What the service publishes of its own state, for programs: /health and /metrics."""

from __future__ import annotations

from flask import Response

from farmwatch.pages.app import source
from farmwatch.pages.source import Published

__all__ = ["health", "metrics"]


def health() -> Response:
    """Whether the service is well, or what is amiss (RFC 9457)."""
    return _answer(source().health())


def metrics() -> Response:
    """Its figures (OpenMetrics 1.0)."""
    return _answer(source().figures())


def _answer(found: Published) -> Response:
    answer = Response(found.body, found.status)
    answer.headers["Content-Type"] = found.kind
    return answer
