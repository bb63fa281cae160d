"""What every Voltmeter must do: a suite to inherit from.

A test module of a driver says how its meter is built, and gets the tests::

    class TestMyMeter(MeterContract):
        @pytest.fixture
        def bench(self) -> Iterator[MeterBench]:
            ...
"""

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from cornerrun.bench.ports import Voltmeter
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError

__all__ = ["MeterBench", "MeterContract"]


@dataclass(frozen=True, kw_only=True)
class MeterBench:
    """A meter under test, and a hand on what it is connected to.

    ``set_v`` puts a voltage on a rail. ``tolerance_v`` is how far a reading may lie from it. ``overload_v`` is a
    voltage beyond every range that the driver uses, None where the bench cannot make one.
    """

    meter: Voltmeter
    clock: Clock
    set_v: Callable[[str, float], None]
    tolerance_v: float
    overload_v: float | None


class MeterContract:
    """The duties of `cornerrun.bench.ports.Voltmeter`, one by one."""

    @pytest.fixture
    def bench(self) -> MeterBench:
        """Build the meter; override this."""
        raise NotImplementedError("override the fixture `bench`")

    def test_says_who_it_is(self, bench: MeterBench) -> None:
        identity = bench.meter.identify()
        assert identity.maker
        assert identity.model

    def test_reaches_at_least_one_rail_and_none_twice(self, bench: MeterBench) -> None:
        assert bench.meter.rails
        assert len(set(bench.meter.rails)) == len(bench.meter.rails)

    def test_reads_each_rail_where_it_is(self, bench: MeterBench) -> None:
        bench.meter.identify()
        wanted = {rail: 0.5 + 0.1 * position for position, rail in enumerate(bench.meter.rails)}
        for rail, voltage_v in wanted.items():
            bench.set_v(rail, voltage_v)
        bench.meter.start(bench.meter.rails)
        readings = bench.meter.fetch()
        assert {reading.rail: reading.reading_v for reading in readings} == {
            rail: pytest.approx(voltage_v, abs=bench.tolerance_v) for rail, voltage_v in wanted.items()
        }

    def test_answers_in_the_order_asked_for(self, bench: MeterBench) -> None:
        bench.meter.identify()
        backwards = tuple(reversed(bench.meter.rails))
        bench.meter.start(backwards)
        assert tuple(reading.rail for reading in bench.meter.fetch()) == backwards

    def test_reads_a_part_of_its_rails(self, bench: MeterBench) -> None:
        bench.meter.identify()
        for rail in bench.meter.rails:
            bench.meter.start([rail])
            assert [reading.rail for reading in bench.meter.fetch()] == [rail]

    def test_a_reading_is_never_older_than_its_start(self, bench: MeterBench) -> None:
        bench.meter.identify()
        rail = bench.meter.rails[0]
        bench.set_v(rail, 0.8)
        bench.meter.start([rail])
        bench.meter.fetch()
        bench.set_v(rail, 0.9)
        bench.meter.start([rail])
        assert bench.meter.fetch()[0].reading_v == pytest.approx(0.9, abs=bench.tolerance_v)

    def test_readings_are_stamped_between_start_and_the_end_of_fetch(self, bench: MeterBench) -> None:
        bench.meter.identify()
        before_s = bench.clock.now_s()
        done_s = bench.meter.start(bench.meter.rails)
        assert done_s >= before_s
        bench.clock.sleep_until(done_s)
        readings = bench.meter.fetch()
        after_s = bench.clock.now_s()
        assert all(before_s < reading.read_at_s <= after_s + 1e-9 for reading in readings)
        assert all(reading.aperture_s > 0 and reading.range_v > 0 for reading in readings)

    def test_a_new_start_drops_readings_that_nobody_fetched(self, bench: MeterBench) -> None:
        bench.meter.identify()
        bench.meter.start(bench.meter.rails)
        last = bench.meter.rails[-1]
        bench.meter.start([last])
        assert [reading.rail for reading in bench.meter.fetch()] == [last]

    def test_a_rail_out_of_reach_is_an_instrument_error_that_names_it(self, bench: MeterBench) -> None:
        bench.meter.identify()
        with pytest.raises(InstrumentError, match="NOT_WIRED"):
            bench.meter.start(["NOT_WIRED"])

    def test_nothing_can_be_fetched_that_nobody_started(self, bench: MeterBench) -> None:
        bench.meter.identify()
        with pytest.raises(InstrumentError):
            bench.meter.fetch()

    def test_overload_is_an_error_that_names_the_rail_and_never_data(self, bench: MeterBench) -> None:
        if bench.overload_v is None:
            pytest.skip("this bench cannot make an overload")
        bench.meter.identify()
        rail = bench.meter.rails[0]
        bench.set_v(rail, bench.overload_v)
        bench.meter.start([rail])
        with pytest.raises(InstrumentError, match=rail):
            bench.meter.fetch()
        bench.set_v(rail, 0.8)
        bench.meter.start([rail])
        assert bench.meter.fetch()[0].reading_v == pytest.approx(0.8, abs=bench.tolerance_v)

    def test_can_be_identified_again(self, bench: MeterBench) -> None:
        first = bench.meter.identify()
        assert bench.meter.identify() == first
        bench.meter.start(bench.meter.rails)
        assert len(bench.meter.fetch()) == len(bench.meter.rails)

    def test_closes_with_an_acquisition_on_its_way(self, bench: MeterBench) -> None:
        bench.meter.identify()
        bench.meter.start(bench.meter.rails)
        bench.meter.close()
