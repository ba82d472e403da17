"""Lines of the log: one an event, whatever stands in a value; no secret in any."""

import io
import json
import logging
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.service.logs import LineFormatter, set_up_log
from tests.hostile import MACHINE, TEXTS
from tests.service.farm import settings_in

SECRET = "tide-gate-7431"


def record(event: str = "poll", name: str = "farmwatch.service.polling", **fields: Any) -> logging.LogRecord:
    found = logging.LogRecord(name, logging.INFO, "x.py", 1, event, (), None)
    found.fields = fields
    return found


def test_logfmt() -> None:
    line = LineFormatter("logfmt").format(
        record(machine="heron-01", seconds=0.123456, late=True, reason='he said "no"')
    )
    assert ' level=info event=poll machine=heron-01 seconds=0.1235 late=true reason="he said \\"no\\""' in line
    assert line.startswith("at=20")


def test_json_is_one_document_a_line() -> None:
    found = json.loads(LineFormatter("json").format(record(machine="heron-01", n=3)))
    assert (found["event"], found["machine"], found["n"]) == ("poll", "heron-01", 3)


@settings(max_examples=100, deadline=None)
@given(st.text())
def test_no_value_ends_the_line_or_reaches_the_terminal(value: str) -> None:
    for form in ("logfmt", "json"):
        line = LineFormatter(form).format(record(reason=value))  # type: ignore[arg-type]
        assert line.isascii()
        assert line.isprintable()


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet=st.characters(codec="ascii", exclude_categories=["Cc"])))
def test_a_logfmt_value_reads_back(value: str) -> None:
    """By POSIX shell quoting, which JSON's agrees with where only quotes and backslashes are escaped."""
    text = value.replace("\\", "/").replace("$", "s").replace("`", "'")
    line = LineFormatter("logfmt").format(record(reason=text))
    assert shlex.split(line)[-1] == f"reason={text}"


@pytest.mark.parametrize("form", ["logfmt", "json"])
def test_secrets_are_taken_out_everywhere(form: Any) -> None:
    formatter = LineFormatter(form, [SECRET, "abc"])
    try:
        raise ValueError(f"the key {SECRET} did not fit")
    except ValueError:
        found = record(f"asked with {SECRET}", reason=f"it sent {SECRET} back", word="abc")
        found.exc_info = sys.exc_info()
    line = formatter.format(found)
    assert SECRET not in line
    assert "ValueError" in line
    assert "abc" in line  # too short to be a secret, and it would take words apart


def test_what_a_library_logs_has_the_same_form() -> None:
    line = LineFormatter("logfmt").format(record("delivery failed", "farmwatch.tickets.deliver"))
    assert 'event="delivery failed" from=farmwatch.tickets.deliver' in line


@pytest.mark.parametrize("text", list(TEXTS.values()), ids=list(TEXTS))
@pytest.mark.parametrize("form", ["logfmt", "json"])
def test_a_log_record_is_one_line(text: str, form: str) -> None:
    record = logging.LogRecord("farmwatch.service", logging.INFO, "", 0, "poll", (), None)
    record.fields = {"machine": MACHINE, "reason": text}
    line = LineFormatter(form).format(record)  # type: ignore[arg-type]
    assert line.isascii()
    assert line.isprintable()
    if form == "json":
        assert json.loads(line)["reason"] == text


def test_the_wake_ups_of_the_schedule_are_no_lines(tmp_path: Path) -> None:
    stream = io.StringIO()
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    try:
        set_up_log(settings_in(tmp_path, None, ["heron-01"]), stream)
        logging.getLogger("apscheduler.executors.default").info("Running job")
        logging.getLogger("apscheduler.scheduler").warning("it stumbled")
        logging.getLogger("waitress").info("Serving")
    finally:
        root.handlers[:], root.level = handlers, level
    assert [line.partition("event=")[2].partition(" from")[0] for line in stream.getvalue().splitlines()] == [
        '"it stumbled"'
    ]
