"""The watchdog: cuts what is late and nothing else, with one thread for all requests."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from farmwatch.collect.watchdog import Watchdog


@pytest.fixture
def dog() -> Iterator[Watchdog]:
    dog = Watchdog()
    yield dog
    dog.close()


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    one, other = socket.socketpair()
    one.settimeout(20)
    with one, other:
        yield one, other


def test_a_reader_that_waits_is_woken(dog, pair):
    with dog.deadline(0.05) as deadline:
        deadline.watch(pair[0])
        assert pair[0].recv(1) == b""
        assert deadline.expired
        assert not deadline.stopped


def test_a_socket_that_comes_too_late_is_cut_at_once(dog, pair):
    with dog.deadline(0.01) as deadline:
        while not deadline.expired:
            time.sleep(0.005)
        deadline.watch(pair[0])
        assert pair[0].recv(1) == b""


def test_a_socket_is_safe_once_its_request_is_over(dog, pair):
    """A kept connection serves the next request: the first one's deadline must not touch it."""
    with dog.deadline(0.02) as first:
        first.watch(pair[0])
    with dog.deadline(10) as second:
        second.watch(pair[0])
        time.sleep(0.06)
        pair[1].send(b"x")
        assert pair[0].recv(1) == b"x"
        assert not first.expired
        assert not second.expired


def test_an_earlier_deadline_wakes_a_sleeping_watchdog(dog, pair):
    with dog.deadline(60) as late, dog.deadline(0.02) as early:
        early.watch(pair[0])
        assert pair[0].recv(1) == b""
        assert early.expired
        assert not late.expired


def test_one_thread_for_all_and_none_after_close(dog):
    def running() -> int:
        return sum(thread.name == "farmwatch-watchdog" for thread in threading.enumerate())

    assert running() == 0
    deadlines = [dog.deadline(30) for _ in range(200)]
    assert running() == 1
    dog.close()
    assert running() == 0
    assert all(deadline.expired and deadline.stopped for deadline in deadlines)
    assert dog.deadline(30).stopped


def test_stopping_leaves_later_requests_alone(dog, pair):
    with dog.deadline(30) as before:
        dog.stop_all()
        assert before.stopped
    with dog.deadline(30) as after:
        assert not after.expired
