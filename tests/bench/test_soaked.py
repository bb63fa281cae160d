"""A condition that waits for a sensor at the board, whatever sets it."""

import pytest

from cornerrun.bench.abilities import Identifies, SensesBoard
from cornerrun.bench.soaked import soaked
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import SoakUntil
from cornerrun.testing.condition_contract import ConditionBench, ConditionContract

UNTIL = SoakUntil(sensor="CORE", window_k=1.0, slope_k_per_s=0.01, time_s=60.0)


class Oven:
    """There at once; the board follows with a time constant of 100 s."""

    def __init__(self, clock):
        self.clock, self.at, self.limit = clock, 25.0, None
        self._from, self._since_s = 25.0, 0.0

    def board(self):
        return self.at + (self._from - self.at) * 2.718281828 ** (-(self.clock.now_s() - self._since_s) / 100.0)

    def start(self, target):
        self._from, self._since_s, self.at = self.board(), self.clock.now_s(), target

    def read(self):
        return self.at

    def has_settled(self):
        return True

    def release(self):
        self.start(25.0)


class NamedOven(Oven):
    def identify(self):
        return "an oven"

    def limit_ramp(self, per_s):
        self.limit = per_s
        return True


class TestSoakedCondition(ConditionContract):
    @pytest.fixture
    def bench(self):
        clock = ManualClock()
        oven = Oven(clock)
        condition = soaked(oven, name="ambient", until=UNTIL, sense=oven.board, clock=clock)
        return ConditionBench(
            condition=condition,
            clock=clock,
            truth=oven.board,
            rest=25.0,
            targets=(70.0, -20.0),
            within=2.0,
            settle_s=2000.0,
        )


def test_it_has_settled_only_once_the_board_stands_still_too():
    clock = ManualClock()
    oven = Oven(clock)
    condition = soaked(oven, name="ambient", until=UNTIL, sense=oven.board, clock=clock)
    condition.start(70.0)
    while not condition.has_settled():
        clock.sleep_until(clock.now_s() + 1.0)
    # 45 K over e^(t/100 s) moves by less than 0.01 K/s from t = 381 s on, by arithmetic; the line looks back 60 s.
    assert 381 <= clock.now_s() <= 381 + 60
    assert isinstance(condition, SensesBoard)
    assert condition.sensed() == ("CORE", pytest.approx(oven.board()))


def test_a_sensor_that_tells_nothing_is_trouble():
    clock = ManualClock()
    condition = soaked(Oven(clock), name="ambient", until=UNTIL, sense=lambda: None, clock=clock)
    condition.start(70.0)
    with pytest.raises(InstrumentError, match="ambient: CORE tells no temperature; name another sensor"):
        condition.has_settled()


def test_it_can_do_what_the_condition_itself_can():
    clock = ManualClock()
    plain, named = Oven(clock), NamedOven(clock)
    bare = soaked(plain, name="ambient", until=UNTIL, sense=plain.board, clock=clock)
    full = soaked(named, name="ambient", until=UNTIL, sense=named.board, clock=clock)
    assert not isinstance(bare, Identifies)
    assert isinstance(full, Identifies)
    assert full.identify() == "an oven"
    assert not bare.limit_ramp(0.1)
    assert full.limit_ramp(0.1)
    assert named.limit == 0.1
