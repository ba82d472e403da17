"""Runs a command as another user: `python -m tests.service.as_user UID CONFIG SCRATCH_CONFIG WORDS...`.

The interpreter may lie where that user may not look, so the command is run once as it is on a scratch farm, which loads
all that it needs, before this process becomes the user.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys

from farmwatch.cli import run

if __name__ == "__main__":
    uid, config, scratch, *words = sys.argv[1:]
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        run(["--config", scratch, *words])
        run(["--config", scratch, "no such command"])
    os.setgid(int(uid))
    os.setuid(int(uid))
    sys.argv = ["farmwatch", *words]
    sys.exit(run(["--config", config, *words]))
