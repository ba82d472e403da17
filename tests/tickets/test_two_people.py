"""Two people at one ticket at once, each at a computer of their own: one wins, the other is told by whom."""

from __future__ import annotations

import subprocess
import sys

from farmwatch.store import Store
from farmwatch.tickets import TicketRepository
from farmwatch.tickets.repository import TicketTransaction
from tests.tickets.test_repository import DRAFT

# Says when it is ready, acts when it is told to, and says what came of it.
PERSON = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from farmwatch.errors import InputError
from farmwatch.store import Store
from farmwatch.tickets import TicketRepository
book, me = TicketRepository(Store(Path(sys.argv[1]))), sys.argv[2]
print("ready", flush=True)
for line in sys.stdin:
    try:
        print("took", book.act(int(line), "approve", at=datetime.now(UTC), by=me).phase, flush=True)
    except InputError as refusal:
        print("told", refusal, flush=True)
"""
TICKETS = 8


def _open(writing: TicketTransaction) -> None:
    writing.open(DRAFT, by="farmwatch", why="Confirmed.")


def test_of_two_processes_one_wins_and_the_other_is_told(store: Store) -> None:
    book = TicketRepository(store)
    for number in range(1, TICKETS + 1):
        book.together(_open)
        assert book.ticket(number).phase == "proposed"
    people = {
        name: subprocess.Popen(
            [sys.executable, "-c", PERSON, str(store.path), name],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for name in ("morning shift", "office")
    }  # fmt: skip
    said: dict[str, list[str]] = {}
    try:
        for person in people.values():
            assert person.stdout is not None
            assert person.stdout.readline() == "ready\n"
        for number in range(1, TICKETS + 1):
            for person in people.values():
                assert person.stdin is not None
                person.stdin.write(f"{number}\n")
                person.stdin.flush()
        for name, person in people.items():
            out, _ = person.communicate(timeout=60)
            said[name] = out.splitlines()
            assert person.returncode == 0
    finally:
        for person in people.values():
            person.kill()
    for number in range(1, TICKETS + 1):
        ((winner, _), (loser, told)) = sorted(
            ((name, lines[number - 1]) for name, lines in said.items()), key=lambda one: one[1].startswith("told")
        )
        assert said[winner][number - 1] == "took approved"
        assert told.startswith(f"told ticket {number} is approved: approve cannot follow")
        assert winner in told
        assert loser not in told
        assert [(event.action, event.by) for event in book.events(number)][1:] == [("approve", winner)]
