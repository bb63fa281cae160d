"""What everything that sets a condition must do: a suite to inherit from.

A test module of a driver says how its condition is built, and gets the tests::

    class TestMyChamber(ConditionContract):
        @pytest.fixture
        def bench(self) -> Iterator[ConditionBench]:
            ...
"""

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from cornerrun.bench.ports import Condition
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError

__all__ = ["ConditionBench", "ConditionContract"]

_POLLS = 200


@dataclass(frozen=True, kw_only=True)
class ConditionBench:
    """A condition under test at rest, and what the test may know of it.

    ``targets`` are two values that it can be sent to, apart from each other and from ``rest``, where it is now and
    where it goes when it is released. ``truth`` tells where it really is. ``within`` is how far truth and reading may
    lie from a target once it is there, which takes ``settle_s`` at most. ``beyond`` is a value that it must refuse,
    None where it has no such limit.
    """

    condition: Condition
    clock: Clock
    targets: tuple[float, float]
    rest: float
    truth: Callable[[], float]
    within: float
    settle_s: float
    beyond: float | None = None

    def wait(self) -> bool:
        """Ask whether it has settled, over and over, until it says yes or its time is up."""
        for _ in range(_POLLS):
            if self.condition.has_settled():
                return True
            self.clock.sleep_until(self.clock.now_s() + self.settle_s / _POLLS)
        return False

    def let_pass(self) -> None:
        """Let the time pass in which it gets anywhere."""
        self.clock.sleep_until(self.clock.now_s() + self.settle_s)


class ConditionContract:
    """The duties of `cornerrun.bench.ports.Condition`, one by one."""

    @pytest.fixture
    def bench(self) -> ConditionBench:
        """Build the condition; override this."""
        raise NotImplementedError("override the fixture `bench`")

    def test_reading_moves_nothing_and_tells_where_it_is(self, bench: ConditionBench) -> None:
        assert bench.condition.read() == pytest.approx(bench.rest, abs=bench.within)
        bench.let_pass()
        assert bench.truth() == pytest.approx(bench.rest, abs=bench.within)

    def test_gets_to_each_target_and_says_so_only_there(self, bench: ConditionBench) -> None:
        for target in bench.targets:
            bench.condition.start(target)
            assert bench.wait()
            assert bench.truth() == pytest.approx(target, abs=bench.within)
            assert bench.condition.read() == pytest.approx(target, abs=2 * bench.within)

    def test_has_not_settled_when_it_has_just_started(self, bench: ConditionBench) -> None:
        first, second = bench.targets
        bench.condition.start(first)
        assert not bench.condition.has_settled()
        assert bench.wait()
        bench.condition.start(second)
        assert not bench.condition.has_settled()

    def test_stays_settled_while_nothing_happens(self, bench: ConditionBench) -> None:
        bench.condition.start(bench.targets[0])
        assert bench.wait()
        for _ in range(5):
            bench.clock.sleep_until(bench.clock.now_s() + bench.settle_s / _POLLS)
            assert bench.condition.has_settled()

    def test_a_new_target_on_the_way_replaces_the_old_one(self, bench: ConditionBench) -> None:
        first, second = bench.targets
        bench.condition.start(first)
        bench.clock.sleep_until(bench.clock.now_s() + bench.settle_s / _POLLS)
        bench.condition.has_settled()
        bench.condition.start(second)
        assert bench.wait()
        assert bench.truth() == pytest.approx(second, abs=bench.within)

    def test_a_target_that_it_cannot_reach_is_refused_and_nothing_moves(self, bench: ConditionBench) -> None:
        if bench.beyond is None:
            pytest.skip("this condition has no limit of its own")
        with pytest.raises(InstrumentError):
            bench.condition.start(bench.beyond)
        bench.let_pass()
        assert bench.truth() == pytest.approx(bench.rest, abs=bench.within)

    def test_goes_back_to_rest_when_it_is_released(self, bench: ConditionBench) -> None:
        bench.condition.start(bench.targets[0])
        assert bench.wait()
        bench.condition.release()
        bench.let_pass()
        assert bench.truth() == pytest.approx(bench.rest, abs=bench.within)

    def test_may_be_released_twice_and_before_it_was_ever_started(self, bench: ConditionBench) -> None:
        bench.condition.release()
        bench.condition.release()
        bench.let_pass()
        assert bench.truth() == pytest.approx(bench.rest, abs=bench.within)

    def test_can_be_started_again_after_a_release(self, bench: ConditionBench) -> None:
        bench.condition.start(bench.targets[0])
        bench.condition.release()
        bench.condition.start(bench.targets[1])
        assert bench.wait()
        assert bench.truth() == pytest.approx(bench.targets[1], abs=bench.within)
