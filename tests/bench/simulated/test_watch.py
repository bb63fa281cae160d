import math

import pytest

from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.watch import Watch


class Bench:
    """Two rails at 1 V and 2 V, and what a watch told of them."""

    def __init__(self, *, level_v: float = 0.9, is_below: bool = True, hysteresis_v: float = 0.0) -> None:
        self.timeline = Timeline()
        self.rail, self.other = MovedOutput(1.0), MovedOutput(2.0)
        self.told: list[tuple[bool, float]] = []
        self.watch = Watch(
            [(self.rail, 1.0), (self.other, -0.5)] if level_v < 0.5 else [(self.rail, 1.0)],
            level_v=level_v,
            is_below=is_below,
            timeline=self.timeline,
            now_s=0.0,
            changed=lambda is_beyond, at_s: self.told.append((is_beyond, at_s)),
            hysteresis_v=hysteresis_v,
        )

    def go(self, at_s: float, end_v: float, output: MovedOutput | None = None) -> None:
        self.timeline.run_until(at_s)
        (output or self.rail).go(at_s, end_v, time_constant_s=0.010)


def test_it_tells_the_instant_of_a_crossing() -> None:
    bench = Bench()
    bench.go(1.0, 0.8)
    bench.timeline.run_until(9.0)
    # First order from 1.0 to 0.8 passes 0.9 half way: tau ln 2.
    assert bench.told == [(True, pytest.approx(1.0 + 0.010 * math.log(2), abs=1e-9))]


def test_it_tells_nothing_before_its_time() -> None:
    bench = Bench()
    bench.go(1.0, 0.8)
    bench.timeline.run_until(1.006)
    assert bench.told == []


def test_a_course_that_is_changed_before_the_crossing_never_crosses() -> None:
    bench = Bench()
    bench.go(1.0, 0.8)
    bench.go(1.003, 1.0)
    bench.timeline.run_until(100.0)
    assert bench.told == []


def test_it_comes_back_only_past_the_hysteresis() -> None:
    bench = Bench(hysteresis_v=0.05)
    bench.go(1.0, 0.8)
    bench.go(2.0, 0.93)
    bench.timeline.run_until(3.0)
    assert [is_beyond for is_beyond, _ in bench.told] == [True]
    bench.go(3.0, 1.0)
    bench.timeline.run_until(4.0)
    assert [is_beyond for is_beyond, _ in bench.told] == [True, False]


def test_above_is_the_other_side() -> None:
    bench = Bench(level_v=1.1, is_below=False)
    bench.go(1.0, 1.2)
    bench.timeline.run_until(2.0)
    assert bench.watch.is_beyond


def test_a_combination_is_crossed_by_either_rail() -> None:
    bench = Bench(level_v=-0.05)
    bench.go(1.0, 2.2, bench.other)
    bench.timeline.run_until(2.0)
    assert bench.told[0] == (True, pytest.approx(1.0 + 0.010 * math.log(2), abs=1e-9))


def test_one_that_begins_beyond_its_level_knows_it() -> None:
    assert Bench(level_v=1.5).watch.is_beyond
