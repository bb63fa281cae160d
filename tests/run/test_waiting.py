import os
import resource

import pytest

from cornerrun.clock import StopFlag, SystemClock
from cornerrun.run.waiting import readable


@pytest.fixture
def high_numbers():
    """Let descriptors be numbered from 1024 on: select(2) cannot take those."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 4096:
        pytest.skip("this machine allows no descriptor from 1024 on")
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_descriptors_from_1024_on_can_be_waited_for(high_numbers):
    reader, writer = os.pipe()
    high = 2000
    os.dup2(reader, high)
    try:
        assert readable([high], 0.001) == frozenset()
        os.write(writer, b"!")
        assert readable([high], 1.0) == {high}
    finally:
        for fd in (reader, writer, high):
            os.close(fd)


def test_a_descriptor_at_its_end_counts_as_readable():
    reader, writer = os.pipe()
    os.close(writer)
    assert readable([reader], 1.0) == {reader}
    os.close(reader)


def test_the_clock_waits_for_a_stop_flag_whose_descriptor_is_above_1023(high_numbers):
    held = [os.open(os.devnull, os.O_RDONLY) for _ in range(1030)]
    try:
        stop = StopFlag()
        assert stop.wake_fd > 1023
        clock = SystemClock(stop)
        assert clock.sleep_until(clock.now_s() + 0.005)
        stop.request("the end")
        assert not clock.sleep_until(clock.now_s() + 60.0)
    finally:
        for fd in held:
            os.close(fd)
