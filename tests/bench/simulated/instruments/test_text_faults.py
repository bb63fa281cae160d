from collections.abc import Mapping
from typing import Any

import pytest

from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.simulated.instruments.text_faults import FaultyText, TextFaults, TextInstrument, with_faults
from cornerrun.bench.simulated.meter import SimulatedMeter, SimulatedMeterSettings
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import HardLimits, Rail, Settle


def rail(name: str) -> Rail:
    return Rail(
        name=name,
        nominal_v=1.0,
        levels={"nominal": 1.0},
        hard_limits=HardLimits(min_v=0.5, max_v=1.5),
        accuracy_ratio=0.01,
        settle=Settle(band_ratio=0.01, stable_for_s=0.06, timeout_s=2.0),
    )


class Bench:
    """A meter that goes wrong, in front of one volt."""

    def __init__(self, **faults: Mapping[str, Any]) -> None:
        self.clock = ManualClock()
        meter = SimulatedMeter(
            settings=SimulatedMeterSettings.model_validate({"noise": "0 V", "latency": "0 s"}),
            clock=self.clock,
            input_v=lambda channel, start_s, aperture_s: 1.0,
        )
        self.link: TextInstrument = with_faults(
            meter, TextFaults.model_validate(faults), clock=self.clock, seed=3, name="meter"
        )

    def ask(self, message: str, timeout_s: float = 5.0) -> str:
        self.link.write(message)
        return self.link.read(timeout_s)

    def driver(self) -> ScpiMeter:
        return ScpiMeter(
            link=self.link,
            instrument=Instrument(name="meter", driver="scpi-meter", resource="simulated"),
            channels={"A": 101, "B": 102},
            rails=(rail("A"), rail("B")),
            clock=self.clock,
        )

    def measured(self) -> list[float]:
        meter = self.driver()
        meter.identify()
        meter.start(("A", "B"))
        return [reading.reading_v for reading in meter.fetch()]


def test_without_faults_nothing_stands_between() -> None:
    assert isinstance(Bench().link, SimulatedMeter)
    assert Bench().measured() == pytest.approx([1.0, 1.0], abs=1e-5)


def test_with_faults_that_never_strike_it_reads_as_it_should() -> None:
    bench = Bench(mute={"answers": ["100000"]})
    assert isinstance(bench.link, FaultyText)
    assert bench.measured() == pytest.approx([1.0, 1.0], abs=1e-5)


def test_a_late_answer_comes_after_the_time_out_and_is_taken_for_the_next_one() -> None:
    bench = Bench(late={"answers": ["1"], "by": "10 s"})
    with pytest.raises(TimeoutError):
        bench.ask("*IDN?")
    assert bench.clock.now_s() == pytest.approx(5.0)
    assert bench.ask("*OPC?", 20.0).startswith("SIMULATED")  # the answer to the question before
    assert bench.link.read(1.0) == "1"


def test_clearing_the_link_does_not_clear_what_is_still_on_its_way() -> None:
    bench = Bench(late={"answers": ["1"], "by": "10 s"})
    with pytest.raises(TimeoutError):
        bench.ask("*IDN?")
    bench.link.clear()
    bench.clock.sleep_until(20.0)
    assert bench.link.read(1.0).startswith("SIMULATED")


def test_the_driver_gets_back_in_step_after_a_late_answer() -> None:
    bench = Bench(late={"answers": ["12"], "by": "30 s"})
    meter = bench.driver()
    failures = 0
    while True:
        try:
            meter.identify()
            meter.start(("A", "B"))
            readings = [reading.reading_v for reading in meter.fetch()]
            break
        except InstrumentError:
            failures += 1
            bench.clock.sleep_until(bench.clock.now_s() + 60.0)
    assert failures == 1
    assert readings == pytest.approx([1.0, 1.0], abs=1e-5)


@pytest.mark.parametrize("kind", ["garbage", "truncated", "mute", "overload", "not_a_number", "system_error"])
def test_no_fault_ever_becomes_a_reading(kind: str) -> None:
    """Whichever answer it strikes, the driver raises or reads the truth."""
    raised = 0
    for answer in range(1, 25):
        bench = Bench(**{kind: {"answers": [str(answer)]}})
        try:
            assert bench.measured() == pytest.approx([1.0, 1.0], abs=1e-5)
        except InstrumentError:
            raised += 1
    assert raised > 0


@pytest.mark.parametrize(("kind", "text"), [("overload", "+9.90000000E+37"), ("not_a_number", "+9.91000000E+37")])
def test_a_reading_is_replaced_and_no_other_answer(kind: str, text: str) -> None:
    bench = Bench(**{kind: {"rate": "100 %"}})
    assert bench.ask("READ?") == text
    assert bench.ask("*IDN?").startswith("SIMULATED")
    assert bench.ask("*OPC?") == "1"


def test_a_system_error_waits_in_the_queue() -> None:
    bench = Bench(system_error={"answers": ["1"]})
    bench.ask("*OPC?")
    assert bench.ask("SYST:ERR?").startswith("-310")


def test_garbage_is_the_same_for_the_same_seed_and_never_passes_for_the_answer() -> None:
    spoilt = [Bench(garbage={"rate": "100 %"}).ask("*IDN?") for _ in range(2)]
    assert spoilt[0] == spoilt[1] != Bench().ask("*IDN?")


def test_a_reboot_is_silent_then_forgets_and_sets_the_power_on_bit() -> None:
    bench = Bench(reboots={"at": ["10 s"], "boots_in": "3 s"})
    bench.ask("CONF:VOLT:DC 1;*ESR?")
    assert int(bench.ask("*ESR?")) & 0x80 == 0
    bench.clock.sleep_until(11.0)
    with pytest.raises(TimeoutError):
        bench.ask("*IDN?", 1.0)
    bench.clock.sleep_until(13.5)
    assert int(bench.ask("*ESR?")) & 0x80
    assert bench.ask("CONF?") == '"VOLT:DC AUTO"'


def test_the_driver_notices_a_reboot_between_two_readings() -> None:
    bench = Bench(reboots={"at": ["100 s"]})
    meter = bench.driver()
    meter.identify()
    meter.start(("A", "B"))
    meter.fetch()
    bench.clock.sleep_until(200.0)
    meter.start(("A",))
    with pytest.raises(InstrumentError, match="switched off and on"):
        meter.fetch()
