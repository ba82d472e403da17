"""What happens before a command is loaded."""

from __future__ import annotations

import sys

import pytest

from farmwatch import __main__, cli


def test_numpy_gets_one_thread_unless_the_environment_says_otherwise(monkeypatch):
    """Threads within products of small matrices only cost."""
    seen = {}

    def run(_arguments: list[str]) -> int:
        import os

        seen.update({name: os.environ.get(name) for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")})
        return 0

    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.setattr(cli, "run", run)
    monkeypatch.setattr(sys, "argv", ["farmwatch"])
    with pytest.raises(SystemExit):
        __main__.main()
    assert seen == {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "3"}
