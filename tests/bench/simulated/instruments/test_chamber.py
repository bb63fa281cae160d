import math

import pytest

from cornerrun.bench.simulated.instruments.chamber import Chamber, ChamberSettings
from cornerrun.bench.simulated.instruments.chamber_text import ChamberCondition, chamber_entries
from cornerrun.bench.simulated.instruments.engine import InstrumentEngine
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError


class Bench:
    def __init__(self, **fields: object) -> None:
        self.clock = ManualClock()
        usual = {"sensor_noise": "0 degC", "ramp": "3 K/min", "time_constant": "60 s", "soak": "300 s"}
        self.chamber = Chamber(ChamberSettings.model_validate({**usual, **fields}), self.clock)
        self.engine = InstrumentEngine(
            identity="A,chamber,1,1",
            entries=chamber_entries(self.chamber),
            clock=self.clock,
            reset=self.chamber.reset,
            done_s=self.chamber.done_s,
            refresh=self.chamber.refresh,
        )

    def wait(self, seconds: float) -> None:
        self.clock.sleep_until(self.clock.now_s() + seconds)

    def ask(self, message: str) -> str:
        self.engine.write(message)
        return self.engine.read(1e6)

    def number(self, message: str) -> float:
        return float(self.ask(message))


def test_it_stands_at_its_start_until_it_is_told_otherwise() -> None:
    bench = Bench(start="30 degC")
    bench.wait(1e5)
    assert bench.number("MEAS:TEMP?") == pytest.approx(30.0)
    assert bench.number("MEAS:TEMP? PROD") == pytest.approx(30.0)
    assert bench.chamber.has_settled()


def test_the_setpoint_ramps_and_air_and_board_follow() -> None:
    bench = Bench()
    bench.engine.write("TEMP 85")
    bench.wait(600.0)
    assert bench.number("TEMP:RAMP?") == pytest.approx(25.0 + 30.0)
    # Behind a ramp, first-order lags add: one time constant for the air, both for the board (less what decays).
    assert bench.number("MEAS:TEMP?") == pytest.approx(55.0 - 0.05 * 60.0, abs=0.01)
    assert bench.number("MEAS:TEMP? PROD") < bench.number("MEAS:TEMP?") - 10.0
    assert bench.ask("STAT:OPER:COND?") == "10"  # settling and sweeping
    bench.wait(600.0 + 3600.0)
    assert bench.ask("STAT:OPER:COND?") == "0"
    assert bench.number("MEAS:TEMP? PROD") == pytest.approx(85.0, abs=0.01)


def test_a_slower_ramp_can_be_asked_for_and_no_faster_one() -> None:
    bench = Bench()
    bench.engine.write("TEMP:SLEW 1;:TEMP 35")
    bench.wait(300.0)
    assert bench.number("TEMP:RAMP?") == pytest.approx(30.0)
    bench.engine.write("TEMP:SLEW 50")
    assert bench.number("TEMP:SLEW?") == pytest.approx(3.0)


def test_operation_complete_waits_for_the_end_of_the_ramp() -> None:
    bench = Bench()
    assert bench.ask("TEMP 55;*OPC?") == "1"
    assert bench.clock.now_s() == pytest.approx(600.0)


def test_it_overshoots_by_the_share_that_it_is_told() -> None:
    bench = Bench(ramp="100 K/s", overshoot="10 %", soak="0 s")
    bench.chamber.go(75.0)
    peak = 0.0
    for _ in range(3000):
        bench.wait(0.1)
        peak = max(peak, bench.chamber.read("air"))
    assert (peak - 75.0) / 50.0 == pytest.approx(0.10, abs=0.002)


def test_an_open_door_lets_the_air_out_and_the_ramp_waits() -> None:
    bench = Bench(room="20 degC", door="20 s", door_openings=[{"at": "1000 s", "lasts": "60 s"}], ramp="6 K/min")
    bench.chamber.go(125.0)
    bench.clock.sleep_until(1001.0)
    assert bench.ask("SYST:DOOR?") == "1"
    assert not bench.chamber.has_settled()
    before = bench.chamber.air_at(1000.0)
    bench.clock.sleep_until(1060.0)
    # First order towards the room with the door's time constant: three of them.
    assert bench.number("MEAS:TEMP?") == pytest.approx(20.0 + (before - 20.0) * math.exp(-3.0), abs=0.01)
    bench.clock.sleep_until(1061.0)
    assert bench.ask("SYST:DOOR?") == "0"
    # 1000 s before the door at 0.1 K/s, none while it was open.
    assert bench.number("TEMP:RAMP?") == pytest.approx(125.0)
    bench.wait(7200.0)
    assert bench.chamber.has_settled()


def test_a_door_that_opens_in_the_middle_of_a_ramp_stops_it() -> None:
    bench = Bench(door_openings=[{"at": "400 s", "lasts": "100 s"}])
    bench.chamber.go(85.0)
    bench.clock.sleep_until(600.0)
    assert bench.chamber.setpoint_degc() == pytest.approx(25.0 + 0.05 * (400.0 + 100.0))


def test_switched_off_it_goes_to_the_room() -> None:
    bench = Bench(room="20 degC", insulation="1000 s", soak="0 s")
    bench.chamber.go(85.0)
    bench.clock.sleep_until(9000.0)
    bench.engine.write("OUTP OFF")
    bench.wait(1000.0)
    assert bench.number("MEAS:TEMP?") == pytest.approx(20.0 + 65.0 / math.e, abs=0.05)
    bench.engine.write("OUTP ON")
    assert bench.number("TEMP:RAMP?") == pytest.approx(20.0 + 65.0 / math.e, abs=0.1)


def test_beyond_its_guard_it_switches_off_until_it_is_cleared() -> None:
    bench = Bench(ramp="100 K/s", overshoot="20 %", soak="0 s")
    bench.engine.write("TEMP:PROT:HIGH 80;:TEMP 75")
    for _ in range(300):
        bench.wait(1.0)
        bench.ask("MEAS:TEMP?")
    assert bench.ask("STAT:QUES:COND?") == "16"
    assert bench.ask("OUTP?") == "0"
    bench.engine.write("OUTP ON")
    assert bench.ask("SYST:ERR?").startswith("-221")
    bench.engine.write("OUTP:PROT:CLE;:OUTP ON")
    assert bench.ask("OUTP?") == "1"


def test_a_temperature_out_of_range_is_refused() -> None:
    bench = Bench(highest="120 degC")
    bench.engine.write("TEMP 121")
    assert bench.ask("SYST:ERR?").startswith("-222")
    with pytest.raises(InstrumentError, match="goes from -70 to 120 degC"):
        ChamberCondition(bench.chamber).start(130.0)


def test_as_a_condition_it_settles_on_the_board_and_goes_back_to_where_it_started() -> None:
    bench = Bench()
    condition = ChamberCondition(bench.chamber)
    condition.start(55.0)
    bench.wait(620.0)
    assert not condition.has_settled()
    bench.wait(3000.0)
    assert condition.has_settled()
    assert condition.read() == pytest.approx(55.0, abs=0.5)
    condition.release()
    bench.wait(7200.0)
    assert condition.read() == pytest.approx(25.0, abs=0.1)


def test_the_past_can_still_be_read() -> None:
    bench = Bench()
    bench.chamber.go(85.0)
    bench.clock.sleep_until(300.0)
    then = bench.chamber.voltage_v(300.0)
    bench.clock.sleep_until(4000.0)
    bench.chamber.go(0.0)
    assert bench.chamber.voltage_v(300.0) == pytest.approx(then)
