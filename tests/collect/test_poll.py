"""A poll: new and same, times, identities, batches, progress, stopping, and one slow host beside many."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from farmwatch.collect import PollAttempt, fetch_mesh, fetcher_for, poll_once, recorder, workers
from farmwatch.errors import InputError
from farmwatch.store import Store, StoreError
from tests.collect.hosts import Canned, raw, serving
from tests.collect.memory import FakeStore

ROWS = [[0.1, 0.2, 0.3], [0.0, 0.1, 0.2], [0.15, 0.11, 0.12]]
OTHER = [[0.1, 0.2, 0.3], [0.0, 0.1, 0.2], [0.15, 0.11, 0.13]]
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def grid(rows: Any = ROWS, **more: Any) -> dict[str, Any]:
    return {"grid": rows, **more}


class TestNewAndSame:
    def test_the_same_mesh_is_same_whatever_its_time_says(self, farm, store, now):
        with serving({"/mesh": grid(t="2026-11-23T05:00:00Z")}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            outcomes = []
            for time, rows in (("05:00", ROWS), ("05:30", ROWS), ("05:40", OTHER), ("05:50", ROWS)):
                host.scripts["/mesh"] = grid(rows, t=f"2026-11-23T{time}:00Z")
                found = poll_once(settings, store, now)
                outcomes.append((found.records[0].outcome, found.new_readings))
        assert outcomes == [("new", 1), ("same", 0), ("new", 1), ("new", 1)]
        assert [reading.taken_at.minute for reading in store.readings] == [0, 40, 50]

    def test_other_coordinates_are_another_mesh(self, farm, store, now):
        with serving({"/mesh": grid(x=[10, 110, 210])}) as host:
            settings = farm({"heron-01": host.address}, x="$.x")
            poll_once(settings, store, now)
            host.scripts["/mesh"] = grid(x=[10, 111, 210])
            assert poll_once(settings, store, now + MINUTE).records[0].outcome == "new"

    def test_an_old_mesh_shown_again_is_same_and_a_clock_set_back_is_new(self, farm, store, now):
        with serving({}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            outcomes = []
            for time, rows in (("05:00", ROWS), ("05:40", OTHER), ("05:00", ROWS), ("04:45", [[1, 2, 3]] * 3)):
                host.scripts["/mesh"] = grid(rows, t=f"2026-11-23T{time}:00Z")
                outcomes.append(poll_once(settings, store, now).records[0])
        assert [record.outcome for record in outcomes] == ["new", "new", "same", "new"]
        assert "clock set back" in outcomes[-1].reason
        assert len(store.readings) == 3

    def test_a_host_whose_clock_stands_still_is_counted_from_when_its_meshes_are_seen(self, farm, store, now):
        """Else no two of its probings would ever be an hour apart, and none would be confirmed."""
        third, fourth = [[0.3, 0.2, 0.1]] * 3, [[0.4, 0.2, 0.1]] * 3
        with serving({}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            outcomes = []
            for hours, rows in enumerate((ROWS, OTHER, OTHER, third, ROWS, third, fourth)):
                host.scripts["/mesh"] = grid(rows, t="2026-11-23T05:00:00Z")
                outcomes.append(poll_once(settings, store, now + hours * HOUR).records[0])
        # The first mesh shown once more is known by its time.
        assert [record.outcome for record in outcomes] == ["new", "new", "same", "new", "same", "same", "new"]
        assert "stands still" in outcomes[1].reason
        hours = [round((reading.taken_at - now) / HOUR, 3) for reading in store.readings]
        assert hours == [-1.0, 1.0, 3.0, 6.0]
        assert [reading.time_from for reading in store.readings] == ["host", "seen", "seen", "seen"]

    @pytest.mark.parametrize("ahead", [timedelta(days=1), timedelta(hours=2)])
    def test_a_host_whose_clock_runs_ahead_and_then_is_set_right(self, farm, store, now, ahead):
        with serving({}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            outcomes = []
            for hours, (rows, clock) in enumerate(((ROWS, ahead), (OTHER, ahead), ([[1, 2, 3]] * 3, timedelta(0)))):
                told = now + hours * HOUR + clock
                host.scripts["/mesh"] = grid(rows, t=told.isoformat())
                outcomes.append(poll_once(settings, store, now + hours * HOUR).records[0])
        assert [record.outcome for record in outcomes] == ["new"] * 3
        assert [reading.time_from for reading in store.readings] == ["unknown", "seen", "host"]
        assert [round((reading.taken_at - now) / HOUR, 3) for reading in store.readings] == [0.0, 1.0, 2.0]

    def test_the_hour_that_autumn_repeats_costs_no_mesh(self, farm, store):
        """Local times without an offset: in the second pass they read an hour too early, and every mesh is kept."""
        start = datetime(2026, 10, 25, 0, 10, tzinfo=UTC)
        with serving({}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t", taken_at_zone=ZoneInfo("Europe/Dublin"))
            for number, local in enumerate(("01:10", "01:40", "01:10", "01:40", "02:10")):
                host.scripts["/mesh"] = grid([[number, 0.2, 0.3]] * 3, t=f"2026-10-25T{local}:00")
                [record] = poll_once(settings, store, start + number * HOUR / 2).records
                assert record.outcome == "new"
        assert len(store.readings) == 5


class TestTimes:
    def test_the_first_mesh_without_a_time_is_of_unknown_age_and_the_next_is_seen(self, farm, store, now):
        with serving({"/mesh": grid()}) as host:
            settings = farm({"heron-01": host.address})
            poll_once(settings, store, now, clock=lambda: now)
            host.scripts["/mesh"] = grid(OTHER)
            poll_once(settings, store, now, clock=lambda: now + MINUTE)
        assert [(r.time_from, r.taken_at) for r in store.readings] == [("unknown", now), ("seen", now + MINUTE)]

    @pytest.mark.parametrize(
        ("given", "time_from"),
        [
            ("2026-11-23T06:05:00Z", "host"),
            ("2026-11-23T06:05:01Z", "seen"),
            ("2015-01-01T00:00:00Z", "host"),
            ("2014-12-31T23:59:59Z", "seen"),
            (0, "seen"),
            ("yesterday", "seen"),
            (None, "seen"),
        ],
    )
    def test_a_time_must_be_believable(self, given, time_from, farm, store, now):
        with serving({"/mesh": grid()}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            poll_once(settings, store, now - timedelta(days=20 * 365), clock=lambda: now - timedelta(days=20 * 365))
            host.scripts["/mesh"] = grid(OTHER, t=given)
            (record,) = poll_once(settings, store, now, clock=lambda: now).records
        assert record.outcome == "new"
        assert store.readings[-1].time_from == time_from
        assert (store.readings[-1].taken_at == now) == (time_from == "seen")
        assert ("cannot be read" in record.reason) == (given == "yesterday")

    def test_records_carry_the_time_of_the_answer(self, farm, store, now):
        with serving({"/mesh": raw(lambda wire: wire.hang())}) as host:
            settings = farm({"heron-01": host.address}, poll={"deadline_seconds": 0.2})
            (record,) = poll_once(settings, store, now).records
        assert record.seconds >= 0.2
        assert record.at >= now + timedelta(seconds=0.2)


class TestFarm:
    def test_who_is_asked(self, farm, store, now):
        with serving({"/mesh": grid()}) as host:
            settings = farm({"heron-01": host.address, "heron-02": None, "heron-03": host.address})
            assert sorted(r.machine for r in poll_once(settings, store, now).records) == ["heron-01", "heron-03"]
            found = poll_once(settings, store, now, ["heron-03", "heron-03"])
            assert [record.machine for record in found.records] == ["heron-03"]
            assert poll_once(settings, store, now, ["heron-02"]).records == ()
            with pytest.raises(InputError, match="heron-01"):
                poll_once(settings, store, now, ["heron-1"])

    def test_the_name_in_the_path_is_quoted(self, farm, store, now):
        with serving({}) as host:
            poll_once(farm({"a/../<b>?#": host.address}, path="/m/{machine}/mesh"), store, now)
            assert host.asked == ["/m/a%2F..%2F%3Cb%3E%3F%23/mesh"]

    def test_one_mesh_under_two_names_is_a_warning(self, farm, store, now):
        flat = grid([[0, 0, 0]] * 3)
        with serving({"/mesh": grid()}) as one, serving({"/mesh": grid()}) as two, serving({"/mesh": flat}) as new:
            names = {
                "avocet-07": one.address,
                "avocet-03": two.address,
                "plover-01": new.address,
                "plover-02": new.address,
            }
            found = poll_once(farm(names), store, now)
        assert found.warnings == ("avocet-03 and avocet-07 answered with the same mesh: are they names for one host?",)
        assert found.new_readings == 4

    def test_one_identity_under_two_names_is_a_warning(self, farm, store, now):
        with serving({"/mesh": grid(id="T-1")}) as one, serving({"/mesh": grid(OTHER, id="T-1")}) as two:
            names = {"heron-01": one.address, "heron-02": two.address}
            found = poll_once(farm(names, identity="$.id"), store, now)
        assert found.warnings == (
            "heron-01 and heron-02 answered with the same identity: are they names for one host?",
        )

    def test_slow_and_broken_hosts_hold_up_nobody(self, farm, store, now):
        """Four that hang, two threads: a good one is read before the last of them is given up."""
        hang = raw(lambda wire: wire.hang())
        with serving({"/mesh": grid()}) as good, serving({"/mesh": hang}) as bad_1, serving({"/mesh": hang}) as bad_2:
            names = {
                "heron-01": bad_1.address,
                "heron-02": bad_1.address,
                "heron-03": bad_2.address,
                "plover-01": good.address,
            }
            settings = farm(names, poll={"at_once": 3, "deadline_seconds": 0.3})
            found = poll_once(settings, store, now)
        assert [record.outcome for record in found.records] == ["new", "timed-out", "timed-out", "timed-out"]
        assert found.records[0].machine == "plover-01"

    def test_known_slow_ones_are_asked_early_but_not_all_at_once(self, farm):
        names = {f"m{i}": f"http://127.0.0.1:{8000 + i}" for i in range(10)}
        turns = workers.in_turn(farm(names).machines, {"m7", "m9"})
        assert [group[0].name for group in turns] == ["m7", "m0", "m1", "m9", "m2", "m3", "m4", "m5", "m6", "m8"]
        everyone = [[machine] for machine in farm(names).machines]
        assert workers.in_turn(farm(names).machines, set()) == everyone
        assert workers.in_turn(farm(names).machines, set(names)) == everyone

    def test_machines_at_one_address_are_asked_one_after_the_other(self, farm, store, now):
        inside, most = [], []

        def script(handler):
            inside.append(1)
            most.append(len(inside))
            inside.pop()
            return grid()

        with serving({"/mesh": script}) as host:
            poll_once(farm({f"heron-{i:02}": host.address for i in range(12)}), store, now)
            assert most == [1] * 12
            assert host.connections == 1

    def test_a_second_address_of_the_host(self, farm, store, now):
        also = [{"path": "/state", "bed_celsius": "$.bed", "identity": "$.id"}]
        with serving({"/mesh": grid(), "/state": {"bed": 61.5, "id": "k"}}) as host:
            settings = farm({"heron-01": host.address}, also=also)
            assert poll_once(settings, store, now).records[0].outcome == "new"
            assert (store.readings[0].bed_celsius, store.pins) == (61.5, {"heron-01": "k"})
            del host.scripts["/state"]
            host.scripts["/mesh"] = grid(OTHER)
            (record,) = poll_once(settings, store, now).records
        assert record.outcome == "host-error"
        assert "the second address" in record.reason
        assert len(store.readings) == 1

    def test_a_temperature_of_now_is_marked(self, farm, store, now):
        with serving({"/mesh": grid(bed=60)}) as host:
            poll_once(farm({"heron-01": host.address}, bed_celsius="$.bed", temperature_is="now"), store, now)
        assert (store.readings[0].celsius_is, store.readings[0].bed_celsius) == ("now", 60.0)

    def test_readings_during_work_are_marked(self, farm, store, now):
        with serving({"/mesh": grid()}) as host:
            poll_once(farm({"a": host.address, "b": host.address}), store, now, in_work={"b"})
        assert {reading.machine: reading.during_work for reading in store.readings} == {"a": False, "b": True}

    def test_batches_and_progress(self, farm, store, now, monkeypatch):
        monkeypatch.setattr(recorder, "BATCH", 4)
        seen: list[tuple[str, int, int]] = []
        with serving({"/mesh": grid()}) as host:
            settings = farm({f"heron-{i:02}": host.address for i in range(10)})
            poll_once(
                settings, store, now, on_progress=lambda record, done, of: seen.append((record.outcome, done, of))
            )
        assert [count for count in store.batches if count] == [4, 4, 2]
        assert seen == [("new", i, 10) for i in range(1, 11)]

    def test_no_answer_is_lost_however_fast_it_comes(self, farm, store, now, monkeypatch):
        """The workers may be through before anybody listens."""

        def at_once(settings, machine, *_):
            return PollAttempt(machine=machine.name, at=now, seconds=0.0, outcome="no-mesh", reason="none")

        monkeypatch.setattr(workers, "fetch_mesh", at_once)
        for machines in (1, 2, 40):
            settings = farm({f"m{i}": f"http://127.0.0.1:{i + 1}" for i in range(machines)})
            for _ in range(30):
                assert len(poll_once(settings, store, now).records) == machines

    def test_a_bug_of_ours_is_raised_once_all_others_are_stored(self, farm, store, now, monkeypatch):
        real = workers.fetch_mesh

        def ask_with_a_bug(settings, machine, *more):
            if machine.name == "heron-02":
                raise ZeroDivisionError
            return real(settings, machine, *more)

        monkeypatch.setattr(workers, "fetch_mesh", ask_with_a_bug)
        with serving({"/mesh": grid()}) as host, pytest.raises(ZeroDivisionError):
            poll_once(farm({f"heron-{i:02}": host.address for i in range(5)}), store, now)
        assert len(store.readings) == len(store.polls) == 4

    def test_a_store_that_fails_ends_the_poll_cleanly(self, farm, now):
        class Broken(FakeStore):
            def add_round(self, new, records):
                raise StoreError("no room")

        with serving({"/mesh": grid()}) as host, pytest.raises(StoreError):
            poll_once(farm({"heron-01": host.address}), Broken(), now)
        assert not any(thread.name.startswith("farmwatch") for thread in threading.enumerate())


class TestStopping:
    def test_what_was_read_is_stored_and_open_questions_leave_no_record(self, farm, store, now):
        stop = threading.Event()
        with serving({"/mesh": grid()}) as good, serving({"/mesh": raw(lambda wire: wire.hang())}) as bad:
            names = {"heron-01": good.address, "heron-02": bad.address, "heron-03": bad.address}
            settings = farm(names, poll={"deadline_seconds": 60, "at_once": 2})
            found = poll_once(settings, store, now, stop=stop, on_progress=lambda *_: stop.set())
        assert [record.machine for record in found.records] == ["heron-01"]
        assert store.polls == list(found.records)
        assert len(store.readings) == 1


class TestAsk:
    """One machine without storing, for `check` and guided realignment."""

    def test_fetch_mesh(self, farm, now):
        with serving({"/mesh": grid(t="2026-11-23T05:58:11Z")}) as host:
            settings = farm({"heron-01": host.address}, taken_at="$.t")
            with fetcher_for(settings) as fetcher:
                attempt = fetch_mesh(settings, settings.machine("heron-01"), fetcher, now)
                assert (attempt.outcome, attempt.reason, attempt.at) == ("new", "", now)
                assert attempt.found is not None
                assert attempt.found.taken_at == datetime(2026, 11, 23, 5, 58, 11, tzinfo=UTC)
                host.scripts["/mesh"] = Canned(status=401)
                attempt = fetch_mesh(settings, settings.machine("heron-01"), fetcher, now)
                assert (attempt.outcome, attempt.found, attempt.status) == ("refused", None, 401)

    def test_a_machine_without_a_host(self, farm, now):
        settings = farm({"heron-01": None})
        with fetcher_for(settings) as fetcher:
            attempt = fetch_mesh(settings, settings.machine("heron-01"), fetcher, now)
        assert (attempt.outcome, attempt.found) == ("unreachable", None)
        assert "imported" in attempt.reason


class TestRealStore:
    """The fake is no better than the real one: the same poll through both."""

    def test_poll_and_store(self, farm, tmp_path, now):
        store = Store(tmp_path / "farm.duckdb")
        answer = grid([[0.1, None, 0.3], *ROWS[1:]], t="2026-11-23T05:58:11Z", bed=60, plate="A", id="T-1")
        paths = {"taken_at": "$.t", "bed_celsius": "$.bed", "plate": "$.plate", "identity": "$.id"}
        with serving({"/mesh": answer}) as host, serving({"/mesh": Canned(status=503)}) as broken:
            settings = farm({"heron-01": host.address, "heron-02": broken.address}, **paths)
            first = poll_once(settings, store, now)
            second = poll_once(settings, store, now + MINUTE)
            host.scripts["/mesh"] = {**answer, "id": "T-2", "grid": OTHER}
            third = poll_once(settings, store, now + 2 * MINUTE)
        outcomes = [{r.machine: r.outcome for r in found.records} for found in (first, second, third)]
        assert [o["heron-01"] for o in outcomes] == ["new", "same", "other-machine"]
        assert [o["heron-02"] for o in outcomes] == ["host-error"] * 3
        assert (first.new_readings, second.new_readings, third.new_readings) == (1, 0, 0)
        assert store.reading_count() == 1
        reading = store.latest()["heron-01"]
        assert reading.mesh.z[0, 0] == 0.1
        assert (reading.bed_celsius, reading.plate, reading.time_from) == (60.0, "A", "host")
        assert len(store.polls(now, now + 3 * MINUTE)) == 6
        assert store.last_answers()["heron-02"].outcome == "host-error"
