"""A condition on its way: no faster than asked, kept as it went, and given up in the end."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError
from cornerrun.plan.condition_nouns import Condition
from cornerrun.run.condition_way import ConditionWay, Trace
from cornerrun.run.journal import Journal
from cornerrun.run.progress import ConditionProgress


class Oven:
    """Goes to its target at once, or by a ramp of its own; settles ``hold_s`` after it is there."""

    def __init__(self, clock, *, own_per_s=None, hold_s=5.0, at=25.0):
        self.clock, self.own_per_s, self.hold_s = clock, own_per_s, hold_s
        self.starts, self.limit = [], None
        self._from, self._to, self._at_s = at, at, 0.0

    def start(self, target):
        self._from, self._to, self._at_s = self.read(), target, self.clock.now_s()
        self.starts.append((self.clock.now_s(), target))

    def read(self):
        rate = self.limit or self.own_per_s
        if rate is None:
            return self._to
        moved = min(rate * (self.clock.now_s() - self._at_s), abs(self._to - self._from))
        return self._from + (moved if self._to > self._from else -moved)

    def has_settled(self):
        rate = self.limit or self.own_per_s
        way_s = 0.0 if rate is None else abs(self._to - self._from) / rate
        return self.clock.now_s() >= self._at_s + way_s + self.hold_s

    def release(self):
        return


class RampingOven(Oven):
    def limit_ramp(self, per_s):
        self.limit = per_s
        return True

    def sensed(self):
        return "CORE", 41.5


class Told:
    def __init__(self):
        self.events = []

    def tell(self, event):
        self.events.append(event)


def way(oven, *, ramp_per_s=None, told=None):
    clock = oven.clock
    ambient = Condition(name="ambient", unit="degC", levels={"hot": 70.0}, ramp_per_s=ramp_per_s)
    return ConditionWay(
        condition=ambient, driver=oven, clock=clock, journal=Journal(clock, told), wait=clock.sleep_until
    )


def test_what_was_asked_and_read_is_kept():
    clock = ManualClock()
    clock.sleep_until(100.0)
    change = way(RampingOven(clock), ramp_per_s=0.5).go(70.0, level="hot", is_board_on=False)
    assert (change.condition, change.level, change.target, change.came_from) == ("ambient", "hot", 70.0, 25.0)
    assert change.reading == pytest.approx(70.0)
    assert change.took_s == pytest.approx(95.0, abs=1.0)  # 45 K at 0.5 K/s, and 5 s
    assert (change.sensor, change.sensed, change.is_board_on) == ("CORE", 41.5, False)
    assert change.ramp_per_s == 0.5
    assert change.steepest_per_s == pytest.approx(0.5, rel=0.02)
    assert change.trace[0] == (0.0, 25.0)
    assert change.trace[-1] == (pytest.approx(change.took_s), pytest.approx(70.0))


def test_a_driver_with_a_ramp_of_its_own_is_told_it_once_and_sent_to_the_target():
    oven = RampingOven(ManualClock())
    way(oven, ramp_per_s=0.5).go(70.0, level="hot")
    assert oven.limit == 0.5
    assert [target for _, target in oven.starts] == [70.0]


@given(st.floats(0.05, 5.0), st.floats(-40.0, 120.0))
def test_a_driver_without_one_is_led_there_no_faster_than_asked(ramp_per_s, target):
    oven = Oven(ManualClock())
    change = way(oven, ramp_per_s=ramp_per_s).go(target, level="hot")
    points = [(0.0, 25.0), *oven.starts]
    for (before_s, before), (at_s, value) in pairwise(points):
        assert abs(value - before) <= ramp_per_s * (at_s - before_s + 1.0) + 1e-9
    assert oven.starts[-1][1] == target
    assert change.reading == target
    assert change.took_s >= abs(target - 25.0) / ramp_per_s


def test_without_a_ramp_it_goes_as_fast_as_it_can():
    oven = Oven(ManualClock())
    change = way(oven).go(70.0, level="hot")
    assert change.took_s == pytest.approx(5.0)
    assert change.ramp_per_s is None


def test_whoever_listens_hears_where_it_is_and_how_long_the_ramp_lasts():
    told = Told()
    way(RampingOven(ManualClock()), ramp_per_s=0.5, told=told).go(70.0, level="hot")
    first = told.events[0]
    assert isinstance(first, ConditionProgress)
    assert (first.condition, first.level, first.target, first.left_s) == ("ambient", "hot", 70.0, 90.0)
    assert told.events[-1].left_s is None, "once the ramp is over nobody knows how long it takes to settle"


def test_it_is_given_up_four_hours_after_the_ramp():
    oven = Oven(ManualClock(), hold_s=1e9)
    with pytest.raises(InstrumentError, match="ambient: not at 70 degC after 4 h 30 min; it reads 70 degC"):
        way(oven, ramp_per_s=45 / 1800).go(70.0, level="hot")


def test_a_display_that_nobody_has_read_out_yet_is_no_trouble():
    class Dial(Oven):
        def start(self, target):
            self.starts.append((self.clock.now_s(), target))
            self._to = target

        def read(self):
            if not self.starts:
                raise InstrumentError("nobody has read it out yet")
            return super().read()

    change = way(Dial(ManualClock()), ramp_per_s=0.5).go(70.0, level="hot")
    assert change.came_from is None
    assert change.reading == 70.0


@given(st.lists(st.floats(-50, 150), min_size=1, max_size=3000))
def test_a_trace_is_bounded_and_keeps_its_ends(values):
    trace = Trace()
    for second, value in enumerate(values):
        trace.add(float(second), value)
    points = trace.points
    assert len(points) <= 240
    assert points[0] == (0.0, values[0])
    assert points[-1] == (float(len(values) - 1), values[-1])
    assert set(points) <= set(enumerate(values))


@given(st.integers(100, 5000), st.floats(0.01, 1.0), st.integers(0, 99))
def test_the_steepest_slope_of_a_ramp_is_that_of_the_ramp_for_all_its_noise(seconds, per_s, seed):
    trace = Trace()
    for second in range(seconds):
        noise = 0.02 * (((second * 7919 + seed) % 13) / 6.5 - 1)
        trace.add(float(second), per_s * second + noise)
    assert trace.steepest_per_s() == pytest.approx(per_s, abs=0.01)
