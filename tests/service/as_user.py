"""Runs commands as another user: `python -m tests.service.as_user UID CONFIG SCRATCH_CONFIG WORDS... [-- WORDS...]`.

The interpreter may lie where that user may not look, so each command is run once as it is on a scratch farm, which
loads all that it needs, before this process becomes the user. After what a command says stands "exit N".
"""

from __future__ import annotations

import contextlib
import io
import os
import sys

from farmwatch.cli import run

if __name__ == "__main__":
    uid, config, scratch, *rest = sys.argv[1:]
    commands = [line.split("\0") for line in "\0".join(rest).split("\0--\0")]
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        for words in (*commands, ["no such command"]):
            run(["--config", scratch, *words])
    os.setgid(int(uid))
    os.setuid(int(uid))
    for words in commands:
        sys.argv = ["farmwatch", *words]
        with contextlib.redirect_stderr(sys.stdout):
            code = run(["--config", config, *words])
        print(f"exit {code}", flush=True)
