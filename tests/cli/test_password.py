"""The hash that stands in the configuration's place for a password."""

import subprocess
import sys

import pytest
from werkzeug.security import check_password_hash

COMMAND = [sys.executable, "-m", "farmwatch", "password"]


def typed(text: str, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *more], input=text, capture_output=True, text=True, timeout=60, check=False)


def test_the_hash_is_printed_alone_and_holds_the_password_and_no_other():
    done = typed("salt marsh at low tide\n")

    assert (done.returncode, done.stderr, done.stdout.count("\n")) == (0, "", 1)
    assert done.stdout.startswith("scrypt:32768:8:1$")
    assert check_password_hash(done.stdout.strip(), "salt marsh at low tide")
    assert not check_password_hash(done.stdout.strip(), "salt marsh at low tide ")


@pytest.mark.parametrize("given", ["", "short", "x" * 201])
def test_a_password_too_short_or_long_is_refused_in_a_line_without_it(given):
    done = typed(given + "\n")

    assert (done.returncode, done.stdout) == (2, "")
    assert f"has {len(given)} characters" in done.stderr
    assert not given or given not in done.stderr.split()


def test_tokens_are_long_and_never_the_same():
    first, second = typed("", "--token").stdout, typed("", "--token").stdout

    assert len(first.strip()) >= 40
    assert first != second
