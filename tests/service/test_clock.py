"""A clock that is set, a computer that sleeps."""

from farmwatch.service.clock import ClockWatch


def test_a_clock_that_runs_is_no_jump() -> None:
    watch = ClockWatch(1000.0, 50.0)
    assert [watch.jumped(1000.0 + t + 0.01 * t, 50.0 + t) for t in (1, 2, 60)] == [0.0, 0.0, 0.0]


def test_an_hour_back_a_day_forward_and_a_sleep_are_noticed_once() -> None:
    watch = ClockWatch(10_000.0, 0.0)
    assert watch.jumped(6_401.0, 1.0) == -3600.0
    assert watch.jumped(6_402.0, 2.0) == 0.0
    assert watch.jumped(92_803.0, 3.0) == 86_400.0
    # A sleep: the steady clock of Linux stands still meanwhile.
    assert watch.jumped(96_404.0, 4.0) == 3600.0
