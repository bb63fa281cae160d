import time

import pytest

from cornerrun.bench.patience import patient
from cornerrun.clock import ManualClock, SystemClock


class Meter:
    pec = 0

    def read(self, timeout_s, /):
        return f"{timeout_s}"

    def write(self, message, /):
        raise OSError("gone")


def leases(clock):
    told = []
    clock.sign_of_life = told.append
    return told


def test_an_exchange_takes_a_lease_for_its_own_time_out_and_gives_it_back():
    clock = SystemClock()
    told = leases(clock)
    before_s = time.monotonic()
    assert patient(Meter(), clock, longest_s=2.0).read(30.0) == "30.0"
    assert before_s + 30.0 < told[0] < before_s + 40.0
    assert told[1] < before_s + 1.0


def test_an_exchange_that_fails_gives_its_lease_back_too():
    clock = SystemClock()
    told = leases(clock)
    with pytest.raises(OSError, match="gone"):
        patient(Meter(), clock, longest_s=2.0).write("*CLS")
    assert len(told) == 2
    assert told[1] < told[0]


def test_settings_of_the_link_go_through():
    link = Meter()
    patient(link, SystemClock(), longest_s=2.0).pec = 1
    assert link.pec == 1


def test_on_a_clock_that_is_moved_by_hand_nothing_stands_before_a_link():
    link = Meter()
    assert patient(link, ManualClock(), longest_s=2.0) is link
