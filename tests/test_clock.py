import os
import select
import signal
import threading
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.clock import ManualClock, StopFlag, SystemClock


def test_the_first_reason_to_stop_stays() -> None:
    stop = StopFlag()
    assert stop.reason is None
    stop.request("Ctrl-C")
    stop.request("SIGTERM")
    assert stop.reason == "Ctrl-C"


def test_the_flag_makes_its_file_descriptor_readable() -> None:
    stop = StopFlag()
    assert select.select([stop.wake_fd], [], [], 0)[0] == []
    stop.request("Ctrl-C")
    assert select.select([stop.wake_fd], [], [], 0)[0] == [stop.wake_fd]


def test_the_flag_takes_any_number_of_requests_without_blocking() -> None:
    stop = StopFlag()
    for _ in range(100_000):  # a pipe holds 64 KiB
        stop.request("again")
    assert stop.reason == "again"


def test_the_flag_may_be_set_by_a_signal_handler() -> None:
    stop = StopFlag()
    before = signal.signal(signal.SIGUSR1, lambda number, frame: stop.request("SIGUSR1"))
    try:
        os.kill(os.getpid(), signal.SIGUSR1)
        select.select([stop.wake_fd], [], [], 5)
    finally:
        signal.signal(signal.SIGUSR1, before)
    assert stop.reason == "SIGUSR1"


@given(steps=st.lists(st.floats(0, 1e4), max_size=20))
def test_a_manual_clock_goes_where_it_is_told_and_never_back(steps: list[float]) -> None:
    clock = ManualClock()
    for step in steps:
        before = clock.now_s()
        assert clock.sleep_until(step)
        assert clock.now_s() == max(before, step)
        clock.charge(step)
        assert clock.now_s() == max(before, step) + step


def test_a_manual_clock_tells_the_wall_time_that_has_passed() -> None:
    start = datetime(2026, 5, 1, 12, tzinfo=UTC)
    clock = ManualClock(start)
    clock.charge(90.0)
    assert clock.utc_now() == start + timedelta(seconds=90)


@pytest.mark.parametrize("clock_of", [ManualClock, SystemClock])
def test_a_stop_ends_a_sleep_but_not_the_way_back(clock_of: type[ManualClock] | type[SystemClock]) -> None:
    stop = StopFlag()
    stop.request("Ctrl-C")
    clock = clock_of(stop=stop)
    before = clock.now_s()
    assert not clock.sleep_until(before + 3600)
    assert clock.now_s() < before + 60
    assert clock.sleep_until(before + 0.001, interruptible=False)
    assert clock.now_s() >= before + 0.001


def test_a_system_clock_sleeps_until_its_deadline_and_no_less() -> None:
    clock = SystemClock()
    deadline_s = clock.now_s() + 0.01
    assert clock.sleep_until(deadline_s)
    assert clock.now_s() >= deadline_s


def test_a_deadline_that_has_passed_is_no_sleep() -> None:
    clock = SystemClock()
    assert clock.sleep_until(clock.now_s() - 1)


def test_a_stop_from_another_thread_wakes_a_system_clock() -> None:
    clock = SystemClock()
    started_s = clock.now_s()
    thread = threading.Timer(0.01, clock.stop.request, ["SIGTERM"])
    thread.start()
    assert not clock.sleep_until(started_s + 60)
    thread.join()
    assert clock.now_s() < started_s + 30


def test_small_charges_of_a_system_clock_add_up_to_the_time_they_stand_for() -> None:
    clock = SystemClock()
    started_s = clock.now_s()
    for _ in range(100):
        clock.charge(100e-6)
    # At most one grain, 2 ms, is still owed; a busy machine may take longer, never less.
    assert clock.now_s() - started_s >= 0.010 - 0.002


def test_only_the_manual_clock_must_be_moved() -> None:
    assert SystemClock().passes_by_itself
    assert not ManualClock().passes_by_itself
