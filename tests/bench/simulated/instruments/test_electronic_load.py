import pytest

from cornerrun.bench.simulated.instruments.electronic_load import (
    ElectronicLoad,
    ElectronicLoadSettings,
    load_entries,
)
from cornerrun.bench.simulated.instruments.engine import InstrumentEngine
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import ManualClock


class Bench:
    """A load on a rail of 1.2 V."""

    def __init__(self, **fields: str) -> None:
        self.clock = ManualClock()
        self.told: list[float] = []
        self.load = ElectronicLoad(
            ElectronicLoadSettings.model_validate({"rail": "VDD", "readback_error": "0 %", **fields}),
            output=MovedOutput(1.2),
            timeline=Timeline(),
            clock=self.clock,
            changed=lambda at_s: self.told.append(self.load.current_a(at_s)),
        )
        self.engine = InstrumentEngine(
            identity="A,load,1,1", entries=load_entries(self.load), clock=self.clock, reset=self.load.reset
        )

    def ask(self, message: str) -> str:
        self.engine.write(message)
        return self.engine.read(10.0)


@pytest.mark.parametrize(
    ("set_up", "current_a"),
    [
        ("FUNC CURR;:CURR 4", 4.0),
        ("FUNC RES;:RES 0.5", 2.4),
        ("FUNC POWER;:POW 6", 5.0),
        ("INP:SHOR ON", 60.0),  # 1.2 V over 5 mohm would be 240 A: it sinks what it can
    ],
)
def test_each_mode_sinks_what_its_law_says(set_up: str, current_a: float) -> None:
    bench = Bench()
    bench.engine.write(f"{set_up};:INP ON")
    assert float(bench.ask("MEAS:CURR?")) == pytest.approx(current_a)
    assert float(bench.ask("MEAS:VOLT?")) == pytest.approx(1.2)
    assert float(bench.ask("MEAS:POW?")) == pytest.approx(1.2 * current_a)


def test_nothing_flows_while_the_input_is_open() -> None:
    bench = Bench()
    bench.engine.write("CURR 4")
    assert float(bench.ask("MEAS:CURR?")) == 0.0


def test_whoever_feeds_the_rail_is_told_of_each_change() -> None:
    bench = Bench()
    bench.engine.write("CURR 4;:INP ON;:CURR 6;:INP OFF")
    assert bench.told == pytest.approx([0.0, 4.0, 6.0, 0.0])


def test_over_current_opens_the_input_and_latches() -> None:
    bench = Bench()
    bench.engine.write("CURR:PROT 5;:CURR 4;:INP ON;:CURR 6")
    assert bench.ask("INP?;:STAT:QUES:COND?") == "0;2"
    bench.engine.write("INP ON")
    assert bench.ask("SYST:ERR?").startswith("-221")
    bench.engine.write("CURR 3;:INP:PROT:CLE;:INP ON")
    assert bench.ask("INP?") == "1"


def test_over_power_opens_the_input() -> None:
    bench = Bench(highest_power="10 W")
    bench.engine.write("CURR 20;:INP ON")
    assert bench.ask("INP?;:STAT:QUES:COND?") == "0;8"


def test_below_its_least_voltage_it_sinks_nothing() -> None:
    assert Bench().load.current_at_v(0.05) == 0.0


def test_reset_opens_the_input() -> None:
    bench = Bench()
    bench.engine.write("CURR 4;:INP ON;*RST")
    assert bench.ask("INP?;:FUNC?;:CURR?") == "0;CURR;+0.00000000E+00"
