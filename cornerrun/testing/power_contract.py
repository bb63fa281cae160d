"""What every driver that moves rails must do: a suite to inherit from.

A test module of a driver says how its bench is built, and gets the tests::

    class TestMyPower(PowerContract):
        @pytest.fixture
        def bench(self) -> Iterator[PowerBench]:
            ...

The bench's plan needs two commanded rails at least, one of them with two levels on the same side of nominal.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import pytest

from cornerrun.bench.ports import FaultCapture, RailPower, SafeReturn, Telemetry
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, CornerrunError, GuardRefusal, NotAtNominal
from cornerrun.plan.model import NOMINAL, Plan, Rail

__all__ = ["PowerBench", "PowerContract"]

_STAGES = ("nominal", "configuration", "page")


class _Power(RailPower, SafeReturn, FaultCapture, Protocol):
    """A driver with all three duties."""


@dataclass(frozen=True, kw_only=True)
class PowerBench:
    """A driver under test, at nominal and not yet connected, and what the test may know of it.

    ``truth_v`` tells the voltage that a rail really has. ``within_v`` is how far telemetry and truth may lie from a
    setpoint once a rail has settled, which takes ``settle_s`` at most. ``beyond`` is a level beyond its rail's hard
    limits, None where the bench has none.
    """

    power: _Power
    plan: Plan
    clock: Clock
    truth_v: Callable[[str], float]
    within_v: float
    settle_s: float
    beyond: RailLevel | None

    @property
    def rails(self) -> tuple[Rail, ...]:
        """The rails that may be moved."""
        return self.plan.commanded_rails

    def settle(self) -> None:
        """Let every rail arrive and be converted."""
        self.clock.sleep_until(self.clock.now_s() + self.settle_s + max(self.power.scan_s.values()))

    def read(self, rails: Iterable[Rail]) -> tuple[Telemetry, ...]:
        """Read rails once they have settled."""
        self.settle()
        return self.power.read([rail.name for rail in rails])


class PowerContract:
    """The duties of `RailPower`, `SafeReturn` and `FaultCapture`, one by one."""

    @pytest.fixture
    def bench(self) -> PowerBench:
        """Build the bench; override this."""
        raise NotImplementedError("override the fixture `bench`")

    def test_says_who_every_device_is(self, bench: PowerBench) -> None:
        identities = bench.power.connect()
        assert identities
        assert len({identity.device for identity in identities}) == len(identities)

    def test_connecting_moves_nothing(self, bench: PowerBench) -> None:
        before = {rail.name: bench.truth_v(rail.name) for rail in bench.rails}
        bench.power.connect()
        bench.settle()
        for rail in bench.rails:
            assert bench.truth_v(rail.name) == pytest.approx(before[rail.name], abs=bench.within_v)

    def test_tells_how_often_each_rail_is_converted(self, bench: PowerBench) -> None:
        assert {rail.name for rail in bench.rails} <= set(bench.power.scan_s)
        assert all(scan_s > 0 for scan_s in bench.power.scan_s.values())

    def test_a_setpoint_is_what_the_word_means_and_not_what_was_wished(self, bench: PowerBench) -> None:
        bench.power.connect()
        for rail in bench.rails:
            for level, target_v in rail.levels.items():
                if bench.beyond == RailLevel(rail=rail.name, level=level):
                    continue
                setpoint = bench.power.setpoint(rail.name, level)
                assert (setpoint.rail, setpoint.level, setpoint.target_v) == (rail.name, level, target_v)
                assert setpoint.decoded_v == pytest.approx(target_v, abs=bench.within_v)

    def test_an_unknown_level_or_rail_is_refused(self, bench: PowerBench) -> None:
        bench.power.connect()
        rail = bench.rails[0]
        with pytest.raises(BenchError, match="no level"):
            bench.power.setpoint(rail.name, "no such level")
        with pytest.raises(BenchError, match="no such rail"):
            bench.power.read(["no such rail"])

    def test_every_level_of_every_rail_is_reached_and_no_other_rail_moves(self, bench: PowerBench) -> None:
        bench.power.connect()
        for rail in bench.rails:
            others = [other for other in bench.rails if other.name != rail.name]
            for level in [level for level in rail.levels if level != NOMINAL]:
                item = RailLevel(rail=rail.name, level=level)
                if item == bench.beyond:
                    continue
                (setpoint,) = bench.power.move([item])
                assert (setpoint.rail, setpoint.level) == (rail.name, level)
                (reading,) = bench.read([rail])
                assert reading.voltage_v == pytest.approx(setpoint.decoded_v, abs=bench.within_v)
                assert bench.truth_v(rail.name) == pytest.approx(setpoint.decoded_v, abs=bench.within_v)
                for other in others:
                    assert bench.truth_v(other.name) == pytest.approx(other.nominal_v, abs=bench.within_v)
            bench.power.move([RailLevel(rail=rail.name, level=NOMINAL)])
            bench.settle()
            assert bench.truth_v(rail.name) == pytest.approx(rail.nominal_v, abs=bench.within_v)

    def test_rails_of_a_burst_answer_in_the_order_asked(self, bench: PowerBench) -> None:
        bench.power.connect()
        burst = [RailLevel(rail=rail.name, level=_first_level(bench, rail)) for rail in reversed(bench.rails)]
        setpoints = bench.power.move(burst)
        assert [(setpoint.rail, setpoint.level) for setpoint in setpoints] == [(i.rail, i.level) for i in burst]
        for reading, setpoint in zip(bench.read(reversed(bench.rails)), setpoints, strict=True):
            assert reading.rail == setpoint.rail
            assert reading.voltage_v == pytest.approx(setpoint.decoded_v, abs=bench.within_v)

    def test_readings_carry_rail_word_status_and_a_time_of_the_clock(self, bench: PowerBench) -> None:
        bench.power.connect()
        before_s = bench.clock.now_s()
        names = [rail.name for rail in reversed(bench.rails)]
        readings = bench.power.read(names, with_load=True)
        assert [reading.rail for reading in readings] == names
        assert all(before_s <= reading.read_at_s <= bench.clock.now_s() for reading in readings)
        assert all(reading.status_word is not None for reading in readings)

    def test_a_level_beyond_hard_limits_is_refused_and_nothing_moves(self, bench: PowerBench) -> None:
        if bench.beyond is None:
            pytest.skip("this bench has no level beyond hard limits")
        bench.power.connect()
        others = [rail for rail in bench.rails if rail.name != bench.beyond.rail]
        burst = [RailLevel(rail=others[0].name, level=_first_level(bench, others[0])), bench.beyond]
        with pytest.raises(GuardRefusal, match="hard limits"):
            bench.power.move(burst)
        bench.settle()
        for rail in bench.rails:
            assert bench.truth_v(rail.name) == pytest.approx(rail.nominal_v, abs=bench.within_v)

    def test_the_baseline_holds_registers_and_the_voltage_of_every_rail(self, bench: PowerBench) -> None:
        bench.power.connect()
        bench.settle()
        baseline = bench.power.take_baseline()
        assert baseline.registers
        for rail in bench.rails:
            assert baseline.voltages_v[rail.name] == pytest.approx(rail.nominal_v, abs=bench.within_v)

    def test_a_board_that_is_margined_gives_no_baseline(self, bench: PowerBench) -> None:
        bench.power.connect()
        rail = bench.rails[0]
        bench.power.move([RailLevel(rail=rail.name, level=_first_level(bench, rail))])
        bench.settle()
        with pytest.raises(NotAtNominal, match="to-nominal"):
            bench.power.take_baseline()

    def test_all_rails_come_home_from_wherever_they_are(self, bench: PowerBench) -> None:
        bench.power.connect()
        bench.settle()
        bench.power.take_baseline()
        bench.power.move([RailLevel(rail=rail.name, level=_first_level(bench, rail)) for rail in bench.rails])
        bench.power.to_nominal([[rail.name] for rail in reversed(bench.rails[1:])])
        for rail, reading in zip(bench.rails, bench.read(bench.rails), strict=True):
            assert reading.voltage_v == pytest.approx(rail.nominal_v, abs=bench.within_v)

    def test_restoring_brings_back_every_register_byte_for_byte(self, bench: PowerBench) -> None:
        bench.power.connect()
        bench.settle()
        baseline = bench.power.take_baseline()
        bench.power.move([RailLevel(rail=rail.name, level=_first_level(bench, rail)) for rail in bench.rails])
        bench.settle()
        bench.power.restore(baseline)
        bench.settle()
        assert bench.power.take_baseline().registers == baseline.registers

    def test_the_recipe_brings_rails_home_in_the_order_given_before_anything_else(self, bench: PowerBench) -> None:
        bench.power.connect()
        bench.settle()
        order = [rail.name for rail in reversed(bench.rails)]
        recipe = bench.power.recipe(bench.power.take_baseline(), [[name] for name in order])
        stages = [_STAGES.index(write.stage) for write in recipe]
        assert stages == sorted(stages)
        homing = [rail for write in recipe if write.stage == "nominal" for rail in write.rails]
        assert [rail for rail in dict.fromkeys(homing) if rail in order] == order

    def test_a_rail_turned_off_goes_off_and_comes_back_on_at_nominal(self, bench: PowerBench) -> None:
        bench.power.connect()
        rail, *others = bench.rails
        bench.power.move([RailLevel(rail=rail.name, level=_first_level(bench, rail))])
        bench.settle()
        bench.power.turn_off([rail.name])
        bench.settle()
        assert bench.truth_v(rail.name) < 0.5 * rail.nominal_v
        for other in others:
            assert bench.truth_v(other.name) == pytest.approx(other.nominal_v, abs=bench.within_v)
        with pytest.raises(CornerrunError, match="off"):
            bench.power.move([RailLevel(rail=rail.name, level=_first_level(bench, rail))])
        bench.power.clear([rail.name])
        bench.power.turn_on([rail.name])
        (reading,) = bench.read([rail])
        assert reading.voltage_v == pytest.approx(rail.nominal_v, abs=bench.within_v)

    def test_evidence_is_read_twice_the_same_for_nothing_is_cleared_by_reading(self, bench: PowerBench) -> None:
        bench.power.connect()
        name = bench.rails[0].name
        bench.power.turn_off([name])
        first, second = bench.power.capture([name]), bench.power.capture([name])
        assert [item.rail for item in first] == [name]
        assert first[0].registers["STATUS_WORD"] == second[0].registers["STATUS_WORD"]
        assert {item.rail for item in bench.power.capture()} >= {rail.name for rail in bench.rails}


def _first_level(bench: PowerBench, rail: Rail) -> str:
    levels = (level for level in rail.levels if level != NOMINAL)
    return next(level for level in levels if RailLevel(rail=rail.name, level=level) != bench.beyond)
