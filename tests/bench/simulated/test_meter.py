"""Marks: the behaviour of IEEE 488.2 and SCPI-99 instruments is from memory, error numbers too (SCPI-99 chapter 21)."""

import math
import statistics
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from cornerrun.bench.simulated.meter import SimulatedMeter, SimulatedMeterSettings
from cornerrun.clock import ManualClock


class Bench:
    """A meter, its clock and its inputs; ``ask`` sends and reads."""

    def __init__(self, *, channels: tuple[int, ...] | None = (101, 102, 103), **fields: str) -> None:
        self.clock = ManualClock()
        self.volts = {0: 0.5, 101: 0.85, 102: 0.9, 103: 1.2}
        self.asked: list[tuple[int, float, float]] = []
        settings_ = {"noise": "0 V", "latency": "0 s", "relay": "10 ms", **fields}
        self.meter = SimulatedMeter(
            settings=SimulatedMeterSettings.model_validate(settings_),
            clock=self.clock,
            input_v=self.input_v,
            channels=channels,
        )

    def input_v(self, channel: int, start_s: float, aperture_s: float) -> float:
        assert start_s + aperture_s <= self.clock.now_s() + 1e-9, "asked for a voltage of the future"
        self.asked.append((channel, start_s, aperture_s))
        return self.volts[channel]

    def ask(self, message: str, timeout_s: float = 1000.0) -> str:
        self.meter.write(message)
        return self.meter.read(timeout_s)

    def errors(self) -> list[int]:
        codes = []
        while (code := int(self.ask("SYST:ERR?").partition(",")[0])) != 0:
            codes.append(code)
        return codes

    def readings(self, message: str) -> list[float]:
        return [float(part) for part in self.ask(message).split(",")]


def test_says_who_it_is() -> None:
    assert Bench(maker="MAKER", serial="00042").ask("*idn?") == "MAKER,DMM-6 scanner,00042,1.0"


@pytest.mark.parametrize("field", ["maker", "serial"])
@pytest.mark.parametrize("text", ["A,B", "A;B", "", "Ä", "A\n"])
def test_an_identity_that_no_answer_could_carry_is_refused(field: str, text: str) -> None:
    with pytest.raises(ValidationError):
        SimulatedMeterSettings.model_validate({field: text})


def test_scans_in_the_order_of_the_channels() -> None:
    bench = Bench()
    bench.meter.write("ROUT:SCAN (@103,101:102)")
    assert bench.readings("READ?") == pytest.approx([0.85, 0.9, 1.2], abs=1e-6)


def test_a_scan_takes_relay_aperture_and_autozero_of_each_channel() -> None:
    bench = Bench()
    bench.meter.write("CONF:VOLT:DC 10;:SENS:VOLT:DC:NPLC 2;:ROUT:SCAN (@101:103);:INIT")
    bench.ask("FETCH?")
    assert bench.clock.now_s() == pytest.approx(3 * (0.010 + 2 * 2 / 50))
    assert [start_s for _, start_s, _ in bench.asked] == pytest.approx([0.010, 0.100, 0.190])


def test_without_autozero_a_reading_takes_its_aperture_only() -> None:
    bench = Bench()
    bench.meter.write("CONF:VOLT:DC 10;:VOLT:NPLC 1;:VOLT:ZERO:AUTO OFF;:INIT")
    bench.ask("FETC?")
    assert bench.clock.now_s() == pytest.approx(1 / 50)


def test_fetch_gives_the_same_readings_again_until_something_new_is_started() -> None:
    bench = Bench()
    first = bench.ask("READ?")
    bench.volts[0] = 0.6
    assert bench.ask("FETC?") == first
    assert bench.readings("READ?") == pytest.approx([0.6], abs=1e-6)


def test_a_late_answer_comes_late_and_can_be_cleared() -> None:
    bench = Bench()
    bench.meter.write("READ?")
    with pytest.raises(TimeoutError):
        bench.meter.read(0.01)
    assert bench.clock.now_s() == pytest.approx(0.01)
    assert float(bench.meter.read(10.0)) == pytest.approx(0.5, abs=1e-6)
    bench.meter.write("READ?")
    bench.meter.clear()
    assert bench.ask("*OPC?") == "1"


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("NONSENSE", -113),
        ("ROUT:SCAM (@101)", -113),
        ("*IDN", -113),
        ("VOLT:NPLC", -109),
        ("*RST 1", -108),
        ("VOLT:NPLC banana", -104),
        ("VOLT:NPLC 1000", -222),
        ("ROUT:SCAN (@999)", -222),
        ("ROUT:SCAN 101", -104),
        ("TRIG:SOUR SUN", -224),
        ("VOLT:ZERO:AUTO MAYBE", -224),
        ("CONF:VOLT:DC (@101", -102),
        ("FETC?", -230),
        ("*TRG", -211),
        ("INIT;:INIT", -213),
        ("TRIG:SOUR BUS;:READ?", -214),
        ("ROUT:CLOS (@101);:ROUT:CLOS (@102)", -221),
        ("ROUT:CLOS (@101,102)", -221),
        ("X" * 70_000, -363),
    ],
)
def test_what_is_refused_is_in_the_error_queue(message: str, code: int) -> None:
    bench = Bench()
    bench.meter.write(message)
    assert bench.errors() == [code]


def test_a_meter_without_a_scanner_says_that_hardware_is_missing() -> None:
    bench = Bench(channels=())
    bench.meter.write("ROUT:SCAN (@101)")
    assert bench.errors() == [-241]


def test_a_refused_command_takes_the_rest_of_its_message_with_it() -> None:
    bench = Bench()
    bench.meter.write("NONSENSE;*IDN?")
    assert not bench.meter.has_answer


def test_the_newest_error_becomes_overflow_when_the_queue_is_full() -> None:
    bench = Bench()
    for _ in range(30):
        bench.meter.write("NONSENSE")
    assert bench.errors() == [-113] * 19 + [-350]


def test_an_unread_answer_is_interrupted_and_an_unasked_one_unterminated() -> None:
    bench = Bench()
    bench.meter.write("*IDN?")
    assert bench.ask("*OPC?") == "1"
    with pytest.raises(TimeoutError):
        bench.meter.read(0.1)
    assert bench.errors() == [-410, -420]


def test_the_event_register_tells_power_on_once_and_errors_by_class() -> None:
    bench = Bench()
    assert bench.ask("*ESR?") == "128"
    bench.meter.write("NONSENSE")
    bench.meter.write("FETC?")
    assert bench.ask("*ESR?") == str(0x20 | 0x10)
    assert bench.ask("*ESR?") == "0"


def test_operation_complete_waits_for_the_acquisition() -> None:
    bench = Bench()
    bench.meter.write("CONF:VOLT:DC 1;:INIT")
    assert bench.ask("*OPC?") == "1"
    assert bench.clock.now_s() == pytest.approx(2 * 10 / 50)


def test_the_status_byte_sums_up() -> None:
    bench = Bench()
    assert int(bench.ask("*STB?")) & 0x04 == 0
    bench.meter.write("NONSENSE")
    assert int(bench.ask("*STB?")) & 0x04


def test_a_trigger_by_command_starts_what_was_armed() -> None:
    bench = Bench()
    bench.meter.write("TRIG:SOUR BUS;:INIT")
    bench.clock.charge(5.0)
    bench.meter.write("*TRG")
    assert bench.readings("FETC?") == pytest.approx([0.5], abs=1e-6)
    assert bench.asked[0][1] == pytest.approx(5.0)


def test_overload_is_infinity_with_its_sign() -> None:
    bench = Bench()
    bench.volts[0] = 1.21
    assert bench.readings("CONF:VOLT:DC 1;:READ?") == [9.9e37]
    bench.volts[0] = -1.21
    assert bench.readings("READ?") == [-9.9e37]
    bench.volts[0] = 1.19
    assert bench.readings("READ?") == pytest.approx([1.19], abs=1e-6)


def test_auto_ranging_never_overloads_below_a_thousand_volts() -> None:
    bench = Bench()
    bench.volts[0] = 900.0
    assert bench.readings("CONF:VOLT:DC AUTO;:READ?") == pytest.approx([900.0], abs=1e-3)


def test_configure_resets_the_aperture() -> None:
    bench = Bench()
    bench.meter.write("VOLT:NPLC 1")
    bench.meter.write("CONF:VOLT:DC 10")
    assert float(bench.ask("VOLT:NPLC?")) == 10.0


def test_channels_keep_ranges_of_their_own() -> None:
    bench = Bench()
    bench.meter.write("CONF:VOLT:DC 1,(@101,102)")
    bench.meter.write("CONF:VOLT:DC 10,(@103)")
    bench.meter.write("ROUT:SCAN (@101:103)")
    assert bench.readings("VOLT:DC:RANG?") == [1.0, 1.0, 10.0]
    assert bench.readings("READ?") == pytest.approx([0.85, 0.9, 1.2], abs=1e-6)


def test_gain_and_offset_are_its_true_errors() -> None:
    bench = Bench(gain_error="20 ppm", offset="-3 uV")
    assert bench.readings("CONF:VOLT:DC 1;:READ?") == pytest.approx([0.5 * (1 + 20e-6) - 3e-6], abs=1e-7)


@pytest.mark.parametrize("nplc", [0.2, 1, 10])
def test_noise_falls_with_the_square_root_of_the_aperture(nplc: float) -> None:
    bench = Bench(noise="20 uV")
    readings = bench.readings(f"CONF:VOLT:DC 1;:VOLT:NPLC {nplc};:SAMP:COUN 1000;:READ?")
    # The standard error of a standard deviation of 1000 readings is 2.2 %; four of them.
    assert statistics.stdev(readings) == pytest.approx(20e-6 / math.sqrt(nplc), rel=0.09)


def test_hum_is_gone_after_whole_power_line_cycles_only() -> None:
    bench = Bench(hum="10 mV")
    whole = bench.readings("CONF:VOLT:DC 1;:VOLT:NPLC 1;:SAMP:COUN 50;:READ?")
    part = bench.readings("VOLT:NPLC 0.2;:READ?")
    assert statistics.stdev(whole) < 1e-6
    # Residual of a sine in a short aperture: amplitude * sin(pi f T) / (pi f T), job's own arithmetic: 9.35 mV peak.
    assert max(abs(reading - 0.5) for reading in part) == pytest.approx(
        0.010 * math.sin(0.2 * math.pi) / (0.2 * math.pi), rel=0.02
    )


def test_each_relay_has_its_own_thermal_voltage() -> None:
    bench = Bench(channel_offset="3 uV")
    offsets = [
        reading - volt
        for reading, volt in zip(
            bench.readings("CONF:VOLT:DC 10;:ROUT:SCAN (@101:103);:READ?"), (0.85, 0.9, 1.2), strict=True
        )
    ]
    assert len({round(offset, 6) for offset in offsets}) > 1
    assert max(map(abs, offsets)) < 20e-6


def test_an_open_input_reads_near_nought() -> None:
    bench = Bench(channels=None)
    assert bench.readings("CONF:VOLT:DC 1;:ROUT:SCAN (@555);:READ?") == pytest.approx([0.0], abs=1e-6)


def test_reset_goes_back_to_auto_ranging_and_opens_the_scanner() -> None:
    bench = Bench()
    bench.meter.write("CONF:VOLT:DC 1;:ROUT:SCAN (@101);:ROUT:CLOS (@102);*RST")
    assert bench.ask("CONF?") == '"VOLT:DC AUTO"'
    assert bench.ask("ROUT:SCAN?") == "(@)"
    assert bench.ask("ROUT:CLOS? (@102)") == "0"


def test_two_meters_of_one_seed_read_alike() -> None:
    one, other = Bench(noise="5 uV"), Bench(noise="5 uV")
    assert one.readings("READ?") == other.readings("READ?")


@settings(max_examples=200)
@given(st.lists(st.text(max_size=60), max_size=5))
def test_no_text_breaks_the_meter(messages: list[str]) -> None:
    bench = Bench()
    for message in messages:
        bench.meter.write(message)
        bench.meter.clear()
    bench.meter.write("*CLS")
    assert bench.ask("*OPC?") == "1"


@settings(max_examples=200)
@given(
    st.lists(
        st.sampled_from(
            ["*RST", "INIT", "FETC?", "READ?", "ABOR", "*TRG", "TRIG:SOUR BUS", "TRIG:SOUR IMM", "ROUT:SCAN (@101:103)",
             "ROUT:SCAN (@)", "ROUT:CLOS (@101)", "ROUT:OPEN:ALL", "SAMP:COUN 3", "TRIG:COUN 2", "CONF:VOLT:DC 1",
             "MEAS:VOLT:DC? 10", "*OPC", "*WAI", "SYST:ERR?", "*ESR?", "VOLT:DC:RANG:AUTO ON", "*SRE 32", "*ESE MAX",
             "TRIG:DEL 10ms"]
        ),
        max_size=12,
    )
)  # fmt: skip
def test_no_order_of_commands_breaks_the_meter(messages: list[Any]) -> None:
    bench = Bench()
    for message in messages:
        bench.meter.write(message)
        if bench.meter.has_answer:
            bench.meter.read(1000.0)
    bench.meter.write("*RST;*CLS")
    assert bench.readings("READ?") == pytest.approx([0.5], abs=1e-5)
