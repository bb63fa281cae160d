import math

import pytest

from cornerrun.bench.simulated.instruments.engine import InstrumentEngine
from cornerrun.bench.simulated.instruments.supply import (
    PowerSupplySettings,
    Supply,
    SupplyCondition,
    supply_entries,
)
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import ManualClock


class Bench:
    def __init__(self, power_w: float = 24.0, **fields: str) -> None:
        self.clock = ManualClock()
        self.timeline = Timeline()
        self.output = MovedOutput(0.0)
        self.power_w = power_w
        usual = {"readback_noise": "0 V", "readback_error": "0 %", "rise": "10 ms", "fall": "20 ms"}
        self.supply = Supply(
            PowerSupplySettings.model_validate({**usual, **fields}),
            output=self.output,
            power_w=lambda: self.power_w,
            timeline=self.timeline,
            clock=self.clock,
        )
        self.engine = InstrumentEngine(
            identity="A,supply,1,1",
            entries=supply_entries(self.supply),
            clock=self.clock,
            reset=self.supply.reset,
            refresh=self.supply.refresh,
        )

    def wait(self, seconds: float) -> None:
        self.clock.sleep_until(self.clock.now_s() + seconds)

    def ask(self, message: str) -> str:
        self.engine.write(message)
        return self.engine.read(10.0)

    def draw(self, power_w: float) -> None:
        self.power_w = power_w
        self.supply.board_changed(self.clock.now_s())
        self.timeline.run_until(self.clock.now_s())  # as any message on a bus does


def test_it_is_on_at_its_voltage_when_the_bench_starts() -> None:
    bench = Bench()
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(12.0)
    assert float(bench.ask("MEAS:CURR?")) == pytest.approx(2.0)
    assert float(bench.ask("MEAS:POW?")) == pytest.approx(24.0)
    assert bench.ask("OUTP?;:STAT:OPER:COND?") == "1;256"


def test_its_output_rises_as_a_first_order_system() -> None:
    bench = Bench()
    bench.engine.write("VOLT 13")
    bench.wait(0.010)
    assert float(bench.ask("MEAS?")) == pytest.approx(13.0 - math.exp(-1), abs=1e-6)


def test_beyond_its_limit_the_current_stays_and_the_voltage_falls() -> None:
    bench = Bench(current_limit="1.5 A")
    bench.wait(1.0)
    # Constant current into what was 6 ohms: V = I V0^2 / P (see Supply).
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(1.5 * 144 / 24)
    assert float(bench.ask("MEAS:CURR?")) == pytest.approx(1.5)
    assert bench.ask("STAT:OPER:COND?") == "1024"
    bench.engine.write("CURR 3")
    bench.wait(1.0)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(12.0)


def test_a_board_that_draws_more_meets_the_limit_too() -> None:
    bench = Bench(current_limit="3 A")
    bench.draw(48.0)
    bench.wait(1.0)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(3 * 144 / 48)
    bench.draw(24.0)
    bench.wait(1.0)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(12.0)


def test_over_current_protection_trips_after_its_delay_and_latches() -> None:
    bench = Bench(current_limit="3 A", over_current="true", delay="50 ms")
    bench.draw(48.0)
    bench.wait(0.049)
    assert bench.ask("OUTP?") == "1"
    bench.wait(0.002)
    assert bench.ask("OUTP?;:CURR:PROT:TRIP?;:STAT:QUES:COND?") == "0;1;2"
    bench.wait(1.0)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(0.0, abs=1e-6)
    bench.engine.write("OUTP ON")
    assert bench.ask("SYST:ERR?").startswith("-221")
    bench.draw(24.0)
    bench.engine.write("OUTP:PROT:CLE;:OUTP ON")
    bench.wait(1.0)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(12.0)


def test_a_peak_shorter_than_the_delay_does_not_trip() -> None:
    bench = Bench(current_limit="3 A", over_current="true", delay="50 ms")
    bench.draw(48.0)
    bench.wait(0.030)
    bench.draw(24.0)
    bench.wait(0.010)
    bench.draw(48.0)
    bench.wait(0.030)
    assert bench.ask("OUTP?") == "1"


def test_over_voltage_protection_trips_at_once() -> None:
    bench = Bench(over_voltage="14 V")
    bench.engine.write("VOLT 14.5")
    assert bench.ask("OUTP?;:VOLT:PROT:TRIP?;:STAT:QUES:COND?") == "0;1;1"
    bench.engine.write("VOLT 12;:OUTP:PROT:CLE;:OUTP ON")
    assert bench.ask("OUTP?") == "1"


def test_reset_turns_the_output_off() -> None:
    bench = Bench()
    bench.engine.write("*RST")
    assert bench.ask("OUTP?;:VOLT?") == "0;+0.00000000E+00"


@pytest.mark.parametrize("message", ["VOLT 37", "VOLT -1", "CURR 31", "VOLT:PROT 50"])
def test_what_it_cannot_do_is_refused(message: str) -> None:
    bench = Bench()
    bench.engine.write(message)
    assert bench.ask("SYST:ERR?").startswith("-222")


def test_it_cannot_start_beyond_what_it_can_do() -> None:
    with pytest.raises(ValueError, match="starts beyond what it can do"):
        PowerSupplySettings.model_validate({"voltage": "48 V"})


def test_as_a_condition_it_sets_the_input_voltage() -> None:
    bench = Bench()
    condition = SupplyCondition(bench.supply)
    condition.start(10.8)
    assert not condition.has_settled()
    bench.wait(1.0)
    assert condition.has_settled()
    assert condition.read() == pytest.approx(10.8)
    condition.release()
    bench.wait(1.0)
    assert condition.read() == pytest.approx(12.0)
