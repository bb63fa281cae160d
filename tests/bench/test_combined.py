"""Two recording drivers stand behind one front: each call must reach the driver that has the rail."""

import pytest

from cornerrun.bench.combined import CombinedPower
from cornerrun.bench.ports import Baseline, RawWrite, RegisterValue, Setpoint, Telemetry
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, LinkError, UnsafeState


class RecordingDriver:
    def __init__(self, bus, rails, *, broken=False):
        self.buses = (bus,)
        self.scan_s = dict.fromkeys(rails, 0.02)
        self.broken = broken
        self.calls = []

    def _note(self, *call):
        self.calls.append(call)
        if self.broken:
            raise LinkError(f"{self.buses[0]} is dead")

    def connect(self):
        return ()

    def setpoint(self, rail, level):
        return Setpoint(rail=rail, level=level, target_v=1.0, word=1, decoded_v=1.0)

    def move(self, burst):
        self._note("move", *((item.rail, item.level) for item in burst))
        return tuple(self.setpoint(item.rail, item.level) for item in burst)

    def read(self, rails, *, with_load=False):
        self._note("read", *rails)
        return tuple(Telemetry(rail=rail, read_at_s=0.0, word=1, voltage_v=1.0) for rail in rails)

    def take_baseline(self):
        register = RegisterValue(bus=self.buses[0], address=0x40, page=0, command=1, data=b"\x80")
        return Baseline(registers=(register,), voltages_v=dict.fromkeys(self.scan_s, 1.0))

    def recipe(self, baseline, return_order=()):
        assert {register.bus for register in baseline.registers} <= set(self.buses)
        order = [rail for burst in return_order for rail in burst] or list(self.scan_s)
        return (
            *(_write("nominal", self.buses[0], (rail,)) for rail in order),
            _write("configuration", self.buses[0], tuple(self.scan_s)),
            _write("page", self.buses[0], ()),
        )

    def to_nominal(self, return_order=()):
        self._note("to_nominal")

    def restore(self, baseline):
        self._note("restore", *(register.bus for register in baseline.registers))

    def turn_off(self, rails=()):
        self._note("turn_off", *rails)

    def capture(self, rails=()):
        self._note("capture", *rails)
        return ()

    def clear(self, rails=()):
        self._note("clear", *rails)

    def turn_on(self, rails):
        self._note("turn_on", *rails)


def _write(stage, bus, rails):
    return RawWrite(stage=stage, bus=bus, address=0x40, page=0, command=1, data=b"\x80", rails=rails)


@pytest.fixture
def left():
    return RecordingDriver("left", ["A", "B"])


@pytest.fixture
def right():
    return RecordingDriver("right", ["C"])


def test_reads_in_the_order_asked_across_drivers(left, right):
    readings = CombinedPower([left, right]).read(["C", "A"])
    assert [reading.rail for reading in readings] == ["C", "A"]
    assert left.calls == [("read", "A")]


def test_moves_each_rail_on_its_own_driver(left, right):
    setpoints = CombinedPower([left, right]).move([RailLevel(rail="C", level="high"), RailLevel(rail="B", level="low")])
    assert [setpoint.rail for setpoint in setpoints] == ["C", "B"]
    assert left.calls == [("move", ("B", "low"))]
    assert right.calls == [("move", ("C", "high"))]


def test_an_unknown_rail_is_said_by_name(left):
    with pytest.raises(BenchError, match="'Z' is on no device"):
        CombinedPower([left]).read(["Z"])


def test_one_dead_bus_does_not_stop_the_way_back_of_the_other(left):
    dead = RecordingDriver("dead", ["C"], broken=True)
    with pytest.raises(UnsafeState, match="dead: dead is dead"):
        CombinedPower([dead, left]).to_nominal([["C"], ["A"]])
    assert ("to_nominal",) in left.calls


def test_return_order_is_kept_across_drivers(left, right):
    CombinedPower([left, right]).to_nominal([["A"], ["C"], ["B"]])
    assert left.calls == [("move", ("A", "nominal")), ("move", ("B", "nominal")), ("to_nominal",)]
    assert right.calls == [("move", ("C", "nominal")), ("to_nominal",)]


def test_restores_each_bus_from_its_own_part_of_the_baseline(left, right):
    combined = CombinedPower([left, right])
    combined.restore(combined.take_baseline())
    assert left.calls == [("restore", "left")]
    assert right.calls == [("restore", "right")]


def test_recipe_moves_every_rail_before_any_configuration_in_the_order_given(left, right):
    combined = CombinedPower([left, right])
    writes = combined.recipe(combined.take_baseline(), [["B"], ["C"], ["A"]])
    assert [write.stage for write in writes] == ["nominal"] * 3 + ["configuration"] * 2 + ["page"] * 2
    assert [write.rails for write in writes[:3]] == [("B",), ("C",), ("A",)]


@pytest.mark.parametrize("duty", ["capture", "clear"])
def test_fault_duties_reach_only_the_driver_of_the_rails_named(left, right, duty):
    getattr(CombinedPower([left, right]), duty)(["C"])
    assert left.calls == []
    assert right.calls == [(duty, "C")]


def test_turning_off_with_no_names_reaches_every_driver(left, right):
    CombinedPower([left, right]).turn_off()
    assert left.calls == [("turn_off",)]
    assert right.calls == [("turn_off",)]
