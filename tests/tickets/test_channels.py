"""The table of channels: every row whole, a new one needs nothing else, and what sends is loaded only to send."""

import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from farmwatch.config import Settings
from farmwatch.store import Store
from farmwatch.tickets import Outbox, update_tickets
from farmwatch.tickets.channels import CHANNELS, Channel
from farmwatch.tickets.delivery import Delivery, Draft, News
from tests.tickets.farm import AT, fleet, later, settings_in, tilted


@pytest.mark.parametrize("name", CHANNELS)
def test_a_row_names_a_section_of_the_configuration_and_is_off_without_it(tmp_path: Path, name: str) -> None:
    channel, bare = CHANNELS[name], settings_in(tmp_path)
    assert channel.section == "" or channel.section in Settings.model_fields
    assert channel.is_on(bare) == (channel.section == "")


@pytest.mark.parametrize("name", [name for name, channel in CHANNELS.items() if channel.section])
def test_what_waits_for_a_channel_switched_off_says_which_section_is_gone(
    tmp_path: Path, store: Store, name: str
) -> None:
    outbox = Outbox(store)
    outbox.put("k", name, "{}", AT)
    found = outbox.deliver_due(settings_in(tmp_path), later(1))
    assert found.faults == (f"k: [{CHANNELS[name].section}] is no longer configured",)
    [(words, waiting)] = outbox.waiting_by_channel()
    assert (words, waiting.tries) == (CHANNELS[name].words, 1)


def test_every_row_says_everything() -> None:
    """No field has a default: a row that leaves one out fails at the type check, and at import."""
    with pytest.raises(TypeError, match="required"):
        Channel(**{field.name: None for field in fields(Channel)[1:]})  # type: ignore[arg-type]


def test_a_row_is_all_that_a_new_channel_needs(tmp_path: Path, store: Store) -> None:
    """A log book in a file: announced, shown while it waits, delivered, once for each event."""
    book = tmp_path / "log-book.txt"

    def lines(news: News) -> list[Draft]:
        return [Draft(key, "log-book", f"{event.number} {event.action}\n") for key, event in news.events]

    def write(_settings: Settings, _store: Store, delivery: Delivery) -> None:
        with book.open("a") as file:
            file.write(delivery.content)

    row = Channel(
        words="into the log book", section="", is_on=lambda _: True, render=lines, send=write, newest_only=False
    )
    settings, outbox = settings_in(tmp_path), Outbox(store, {"log-book": row})
    outbox.announce(settings, later(-1))
    update_tickets(settings, store, fleet(tilted()))
    outbox.announce(settings, later(1))
    outbox.announce(settings, later(1))
    assert [words for words, _ in outbox.waiting_by_channel()] == ["into the log book"]
    assert outbox.deliver_due(settings, later(1)).delivered == 1
    assert book.read_text() == "1 propose\n"
    assert outbox.deliver_due(settings, later(2)).delivered == 0


def test_tickets_are_shown_without_loading_what_sends_them() -> None:
    heavy = ("requests", "smtplib", "icalendar", "jinja2", "farmwatch.collect")
    program = (
        "import sys\n"
        "from farmwatch.tickets import Outbox, TicketRepository, as_of, proofs, update_tickets\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
