"""Renders the farm's own webhook body; run as a script, in a process of its own with bounds on time and memory.

A template is the farm's, but a slip in it (a loop within a loop, a string multiplied) must not hold up the service. In
comes one JSON object on standard input, {"template", "key", "ticket", "event", "cautions"}; out comes the body, or exit
2 and why. It imports nothing of farmwatch, so that it starts at once.
"""

from __future__ import annotations

import json
import resource
import sys

from jinja2 import StrictUndefined, TemplateError
from jinja2.sandbox import ImmutableSandboxedEnvironment

__all__ = ["main"]

CPU_SECONDS = 5
MEMORY = 512 * 1024 * 1024
LARGEST_BODY = 1024 * 1024


def main() -> int:
    """Read, render, write; returns the exit code."""
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    given = json.load(sys.stdin)
    environment = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)
    try:
        template = environment.from_string(given.pop("template"))
        body = template.render(given).encode("utf-8", "replace")
    except TemplateError as fault:
        line = getattr(fault, "lineno", None)
        return _refuse(f"{f'line {line}: ' if line else ''}{fault}")
    except (TypeError, ValueError, ArithmeticError, LookupError, AttributeError, RecursionError, MemoryError) as fault:
        return _refuse(f"{type(fault).__name__}: {fault}")
    if len(body) > LARGEST_BODY:
        return _refuse(f"it makes a body of {len(body)} bytes; at most {LARGEST_BODY} are sent")
    sys.stdout.buffer.write(body)
    return 0


def _refuse(why: str) -> int:
    print(why[:300], file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
