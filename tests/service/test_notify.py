"""What systemd is told, by sd_notify(3)."""

import os
import socket
from pathlib import Path

import pytest

from farmwatch.service.process import Notifier


def told(address: str, notifier_does: str) -> str:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + address[1:] if address[0] == "@" else address)
        listening.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": address})
        {
            "ready": lambda: notifier.ready("polling\n3 machines"),
            "alive": notifier.alive,
            "stopping": notifier.stopping,
            "reloading": notifier.reloading,
            "status": lambda: notifier.status("well"),
        }[notifier_does]()
        return listening.recv(4096).decode()


@pytest.mark.parametrize("abstract", [False, True])
def test_states_are_sent(tmp_path: Path, abstract: bool) -> None:
    address = f"@farmwatch-test-{os.getpid()}" if abstract else str(tmp_path / "socket")
    assert told(address, "ready") == "READY=1\nSTATUS=polling 3 machines"


def test_each_state_has_the_words_of_the_manual(tmp_path: Path) -> None:
    assert told(str(tmp_path / "a"), "alive") == "WATCHDOG=1"
    assert told(str(tmp_path / "b"), "stopping").startswith("STOPPING=1\n")
    assert told(str(tmp_path / "c"), "status") == "STATUS=well"
    first, second = told(str(tmp_path / "d"), "reloading").split("\n")
    assert first == "RELOADING=1"
    assert second.startswith("MONOTONIC_USEC=")


def test_nobody_listening_is_no_fault(tmp_path: Path) -> None:
    Notifier({}).ready("well")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready("well")
    Notifier({"NOTIFY_SOCKET": "vsock:2:1234"}).ready("well")


@pytest.mark.parametrize(
    ("given", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "180000000"}, 180.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": str(os.getpid())}, 180.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
    ],
)
def test_the_watchdog_is_known_from_the_environment(given: dict[str, str], seconds: float | None) -> None:
    assert Notifier(given).watchdog_seconds == seconds
