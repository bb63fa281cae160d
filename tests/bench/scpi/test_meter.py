from collections.abc import Callable, Iterator
from typing import Any

import pytest

from cornerrun.bench.scpi.dialect_file import MeterDialect
from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.simulated.meter import SimulatedMeter, SimulatedMeterSettings
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError, PlanError
from cornerrun.plan.bench_file import ReferenceChannel
from cornerrun.testing.meter_contract import MeterBench, MeterContract

CHANNELS = {"A": 103, "B": 101, "C": 102}
Make = Callable[..., Any]


class Inputs:
    """Voltages on channels, and the meter that reads them."""

    def __init__(self, clock: ManualClock, channels: dict[str, int], *, has_scanner: bool = True) -> None:
        self.volts = dict.fromkeys(channels.values(), 0.5)
        self.channels = channels
        self.meter = SimulatedMeter(
            settings=SimulatedMeterSettings(),
            clock=clock,
            input_v=lambda channel, start_s, aperture_s: self.volts[channel],
            channels=tuple(channels.values()) if has_scanner else (),
        )

    def put(self, rail: str, voltage_v: float) -> None:
        self.volts[self.channels[rail]] = voltage_v


class TestBehindAScanner(MeterContract):
    @pytest.fixture
    def bench(self, rail: Make, instrument: Make) -> Iterator[MeterBench]:
        clock = ManualClock()
        inputs = Inputs(clock, CHANNELS)
        rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
        meter = ScpiMeter(link=inputs.meter, instrument=instrument(), channels=CHANNELS, rails=rails, clock=clock)
        yield MeterBench(meter=meter, clock=clock, set_v=inputs.put, tolerance_v=20e-6, overload_v=20.0)
        meter.close()


class TestOnOneProbe(MeterContract):
    @pytest.fixture
    def bench(self, rail: Make, instrument: Make) -> Iterator[MeterBench]:
        clock = ManualClock()
        inputs = Inputs(clock, {"B": 0}, has_scanner=False)
        meter = ScpiMeter(
            link=inputs.meter,
            instrument=instrument(settings={"rail": "B"}),
            channels={},
            rails=[rail("A", 1.2), rail("B", 0.85)],
            clock=clock,
        )
        yield MeterBench(meter=meter, clock=clock, set_v=inputs.put, tolerance_v=20e-6, overload_v=20.0)
        meter.close()


def probe_meter(link: Any, rail: Make, instrument: Make, **fields: Any) -> ScpiMeter:
    return ScpiMeter(
        link=link, instrument=instrument(**fields), channels={}, rails=[rail("A", 0.85)], clock=ManualClock()
    )


def scanned_meter(link: Any, rail: Make, instrument: Make, **fields: Any) -> ScpiMeter:
    rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
    return ScpiMeter(link=link, instrument=instrument(**fields), channels=CHANNELS, rails=rails, clock=ManualClock())


FULL = {
    "*ESR?": "0",
    "CONF:VOLT:DC": "",
    "SENS:VOLT:DC:NPLC?": "1.0",
    "SENS:VOLT:DC:NPLC": "",
    "SENS:VOLT:DC:RANG?": "1.0",
    "SENS:VOLT:DC:RANG": "",
    "ABOR": "",
    "TRIG:DEL": "",
    "INIT": "",
    "FETC?": "0.85",
}


def test_sends_only_commands_of_the_standards(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple({**FULL, "ROUT:": ""})
    meter = scanned_meter(link, rail, instrument)
    meter.identify()
    link.table["FETC?"] = "0.85,0.9,1.2"
    meter.start(["A", "B", "C"])
    meter.fetch()
    meter.close()
    headers = {message.split()[0].rstrip("?") for message in link.sent}
    assert headers <= {
        "*IDN", "*RST", "*CLS", "*OPC", "*ESR", "SYST:ERR", "CONF:VOLT:DC", "SENS:VOLT:DC:NPLC", "SENS:VOLT:DC:RANG",
        "ROUT:SCAN", "ROUT:OPEN:ALL", "INIT", "FETC", "ABOR", "TRIG:DEL", "SYST:LFR",
    }  # fmt: skip


def test_ranges_each_rail_for_itself_behind_a_scanner(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple({**FULL, "ROUT:": ""})
    scanned_meter(link, rail, instrument).identify()
    assert "CONF:VOLT:DC 1,(@101,102)" in link.sent
    assert "CONF:VOLT:DC 10,(@103)" in link.sent


def test_the_aperture_is_set_after_configure_has_reset_it(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    probe_meter(link, rail, instrument).identify()
    configured = max(index for index, message in enumerate(link.sent) if message.startswith("CONF"))
    assert link.sent.index("SENS:VOLT:DC:NPLC 1") > configured


def test_reads_all_on_one_range_where_the_instrument_cannot_range_by_channel(
    rail: Make, instrument: Make, simple: Make
) -> None:
    link = simple({**FULL, "ROUT:": "", "FETC?": "0.85", "SENS:VOLT:DC:RANG?": "10"})

    def configure() -> str:
        if "(@" in link.sent[-1]:
            link.errors.append('-108,"Parameter not allowed"')
        return ""

    link.table["CONF:VOLT:DC"] = configure
    meter = scanned_meter(link, rail, instrument)
    meter.identify()
    link.table["FETC?"] = "0.85,0.9,1.2"
    meter.start(["A", "B", "C"])
    assert {reading.range_v for reading in meter.fetch()} == {10.0}


def test_closes_channels_one_by_one_where_the_instrument_cannot_scan(
    rail: Make, instrument: Make, simple: Make
) -> None:
    link = simple({**FULL, "ROUT:CLOS": "", "ROUT:OPEN:ALL": "", "READ?": "0.85"})
    meter = scanned_meter(link, rail, instrument)
    meter.identify()
    del link.sent[:]
    meter.start(["A", "B"])
    assert [reading.rail for reading in meter.fetch()] == ["A", "B"]
    assert [message for message in link.sent if message.startswith("ROUT")] == [
        "ROUT:OPEN:ALL", "ROUT:CLOS (@101)", "ROUT:OPEN:ALL", "ROUT:CLOS (@103)",
    ]  # fmt: skip


def test_reads_with_read_where_the_instrument_knows_no_fetch(rail: Make, instrument: Make, simple: Make) -> None:
    table = {key: value for key, value in FULL.items() if key not in ("INIT", "FETC?", "ABOR")}
    meter = probe_meter(simple({**table, "READ?": "0.8501"}), rail, instrument)
    meter.identify()
    meter.start(["A"])
    assert meter.fetch()[0].reading_v == pytest.approx(0.8501)


def test_does_without_an_event_register_that_is_not_there(rail: Make, instrument: Make, simple: Make) -> None:
    table = {key: value for key, value in FULL.items() if key != "*ESR?"}
    meter = probe_meter(simple(table), rail, instrument)
    meter.identify()
    meter.start(["A"])
    assert len(meter.fetch()) == 1


def test_does_without_an_event_register_that_reading_does_not_clear(rail: Make, instrument: Make, simple: Make) -> None:
    meter = probe_meter(simple(FULL | {"*ESR?": "128"}), rail, instrument)
    meter.identify()
    meter.start(["A"])
    assert len(meter.fetch()) == 1


def test_does_without_operation_complete_that_is_not_there(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    del link.table["*OPC?"]
    probe_meter(link, rail, instrument).identify()


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"*OPC?": "0"}, r"answered '0' to '\*OPC\?'"),
        ({"*IDN?": "hello"}, "no identity of four fields"),
        ({"SENS:VOLT:DC:NPLC?": "10"}, "holds 10 power-line cycles where the bench file says nplc 1"),
        ({"SENS:VOLT:DC:RANG?": "0.1"}, "holds a range of 0.1 V where 1 V is needed"),
        ({"SENS:VOLT:DC:RANG?": "banana"}, "answered 'banana'"),
        ({"FETC?": "0.85,0.85"}, "2 readings came where 1 was asked for"),
    ],
)
def test_an_instrument_that_answers_nonsense_is_refused_before_a_run(
    rail: Make, instrument: Make, simple: Make, changed: dict[str, str], message: str
) -> None:
    with pytest.raises(InstrumentError, match=message):
        probe_meter(simple(FULL | changed), rail, instrument).identify()


def test_an_aperture_that_is_refused_says_what_to_write(rail: Make, instrument: Make, simple: Make) -> None:
    table = {key: value for key, value in FULL.items() if "NPLC" not in key}
    with pytest.raises(InstrumentError, match=r"refuses 'SENS:VOLT:DC:NPLC 1': -113.*aperture: fixed"):
        probe_meter(simple(table), rail, instrument).identify()
    probe_meter(simple(table), rail, instrument, settings={"aperture": "fixed"}).identify()


def test_a_scanner_that_is_not_there_says_what_to_write(rail: Make, instrument: Make, simple: Make) -> None:
    with pytest.raises(InstrumentError, match="if it has no scanner, take `channels` out"):
        scanned_meter(simple(FULL), rail, instrument).identify()


def test_messages_of_the_makers_own_are_sent_after_configure(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple({**FULL, "INP:IMP:AUTO ON": ""})
    probe_meter(link, rail, instrument, settings={"set_up": "INP:IMP:AUTO ON"}).identify()
    assert "INP:IMP:AUTO ON" in link.sent
    with pytest.raises(InstrumentError, match=r"refuses 'INP:X': -113.*settings.set_up"):
        probe_meter(link, rail, instrument, settings={"set_up": "INP:X"}).identify()


@pytest.mark.parametrize("answer", ["9.9E37", "-9.9E+37", "9.91E37"])
def test_overload_and_not_a_number_are_no_data(rail: Make, instrument: Make, simple: Make, answer: str) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    link.table["FETC?"] = answer
    meter.start(["A"])
    with pytest.raises(InstrumentError, match=r"A gave .*E\+37, which is overload.*on the 1 V range"):
        meter.fetch()


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        ("0.85,0.85", "2 readings came where 1 were asked for"),
        ("OVLD", "is no number"),
        ("", "did not answer"),
    ],
)
def test_a_reading_that_is_none_is_an_error(
    rail: Make, instrument: Make, simple: Make, answer: str, message: str
) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    link.table["FETC?"] = answer
    meter.start(["A"])
    with pytest.raises(InstrumentError, match=message):
        meter.fetch()
    link.table["FETC?"] = "0.86"
    meter.start(["A"])
    assert meter.fetch()[0].reading_v == pytest.approx(0.86)


def test_errors_in_the_queue_after_a_reading_void_it(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    meter.start(["A"])
    link.errors.append('-350,"Queue overflow"')
    with pytest.raises(InstrumentError, match='reports -350,"Queue overflow" after a reading'):
        meter.fetch()


def test_why_a_reading_did_not_come_is_asked_of_the_error_queue(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    meter.start(["A"])
    link.table["FETC?"] = lambda: link.errors.append('-230,"Data corrupt or stale"') or ""
    with pytest.raises(InstrumentError, match=r"did not answer 'FETC\?'.*error queue says -230"):
        meter.fetch()


def test_errors_name_the_commands_that_may_have_caused_them(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    link.table["INIT"] = lambda: link.errors.append('-213,"Init ignored"') or ""
    meter.start(["A"])
    with pytest.raises(InstrumentError, match=r"reports -213.*which 'INIT' or 'FETC\?' caused; nothing of it is used"):
        meter.fetch()


def test_an_instrument_that_was_switched_off_and_on_is_noticed_and_set_up_again(
    rail: Make, instrument: Make, simple: Make
) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    meter.start(["A"])
    del link.sent[:]
    events = ["0"] * 20
    events[0] = "128"
    link.table["*ESR?"] = lambda: events.pop(0)
    with pytest.raises(InstrumentError, match=r"was switched off and on.*it has been set up again"):
        meter.fetch()
    assert "SENS:VOLT:DC:NPLC 1" in link.sent
    meter.start(["A"])
    assert meter.fetch()[0].reading_v == pytest.approx(0.85)


def test_a_reboot_that_swallows_an_answer_is_found_before_the_next_reading(
    rail: Make, instrument: Make, simple: Make
) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    meter.start(["A"])
    link.table["FETC?"] = ""
    with pytest.raises(InstrumentError, match="did not answer"):
        meter.fetch()
    events = ["128"] + ["0"] * 20
    link.table |= {"FETC?": "0.85", "*ESR?": lambda: events.pop(0)}
    del link.sent[:]
    meter.start(["A"])
    assert "SENS:VOLT:DC:RANG 1" in link.sent
    assert meter.fetch()[0].reading_v == pytest.approx(0.85)
    assert [note.what for note in meter.take_notes()] == ["meter 'meter' at scripted was set up again after trouble"]
    assert meter.take_notes() == ()


def test_a_simulated_meter_that_reboots_reads_on_as_it_was_told(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    inputs = Inputs(clock, CHANNELS)
    rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
    meter = ScpiMeter(link=inputs.meter, instrument=instrument(nplc=2), channels=CHANNELS, rails=rails, clock=clock)
    meter.identify()
    inputs.meter.power_cycle()
    meter.start(["A", "B"])
    with pytest.raises(InstrumentError):
        meter.fetch()
    meter.start(["A", "B", "C"])
    assert [reading.rail for reading in meter.fetch()] == ["A", "B", "C"]
    inputs.meter.write("SENS:VOLT:DC:NPLC?")
    assert inputs.meter.read(1.0).split(",") == ["+2.00000000E+00"] * 3


def test_autozero_is_switched_off_in_the_first_spelling_that_is_taken(
    rail: Make, instrument: Make, simple: Make
) -> None:
    link = simple(FULL | {"CAL:ZERO:AUTO": ""})
    probe_meter(link, rail, instrument, autozero=False).identify()
    assert [message for message in link.sent if "ZERO" in message] == [
        "SENS:VOLT:DC:ZERO:AUTO OFF", "CAL:ZERO:AUTO OFF",
    ]  # fmt: skip
    with pytest.raises(InstrumentError, match=r"refuses 'SENS:VOLT:DC:ZERO:AUTO OFF': -113.*write `autozero: true`"):
        probe_meter(simple(FULL), rail, instrument, autozero=False).identify()


def test_autozero_off_halves_the_time_of_a_reading_of_the_simulated_meter(rail: Make, instrument: Make) -> None:
    took_s = []
    for autozero in (True, False):
        clock = ManualClock()
        inputs = Inputs(clock, CHANNELS)
        meter = ScpiMeter(
            link=inputs.meter,
            instrument=instrument(nplc=10, autozero=autozero),
            channels=CHANNELS,
            rails=[rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)],
            clock=clock,
        )
        meter.identify()
        before_s = clock.now_s()
        meter.start(["A", "B", "C"])
        meter.fetch()
        took_s.append(clock.now_s() - before_s)
    assert took_s[0] - took_s[1] == pytest.approx(3 * 10 / 50, rel=0.05)


def test_the_scanner_waits_after_each_relay_as_the_bench_file_says(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple({**FULL, "ROUT:": ""})
    meter = scanned_meter(link, rail, instrument, relay_delay_s=0.25)
    meter.identify()
    assert "TRIG:DEL 0.25" in link.sent
    assert meter.take_notes() == ()
    del link.table["TRIG:DEL"]
    del link.table["ROUT:"]
    link.table |= {"ROUT:SCAN": ""}
    meter.identify()
    assert "takes no settle delay of 0.25 s" in meter.take_notes()[0].what


def test_a_meter_that_takes_its_power_line_for_another_one_is_told(rail: Make, instrument: Make, simple: Make) -> None:
    meter = probe_meter(simple(FULL | {"SYST:LFR?": "60"}), rail, instrument)
    meter.identify()
    assert "takes its power line for 60 Hz where the bench file says `line: 50 Hz`" in meter.take_notes()[0].what


REFERENCES = (
    ReferenceChannel(name="shorted", channel=119, value_v=0.0, within_v=10e-6),
    ReferenceChannel(name="check standard", channel=120, value_v=1.0, within_v=50e-6),
)


def test_reads_what_is_known_on_a_range_of_its_own(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    inputs = Inputs(clock, CHANNELS | {"short": 119, "standard": 120})
    inputs.volts |= {119: 3e-6, 120: 1.00002}
    rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
    meter = ScpiMeter(
        link=inputs.meter, instrument=instrument(references=REFERENCES), channels=CHANNELS, rails=rails, clock=clock
    )
    meter.identify()
    assert meter.rails == ("A", "B", "C")
    short, standard = meter.read_references()
    assert (short.reference.name, standard.reference.name) == ("shorted", "check standard")
    assert short.reading_v == pytest.approx(3e-6, abs=3e-6)
    assert standard.reading_v == pytest.approx(1.00002, abs=10e-6)
    inputs.meter.write("SENS:VOLT:DC:RANG? (@119)")
    assert float(inputs.meter.read(1.0)) == 0.1
    meter.start(["A", "B", "C"])
    assert len(meter.fetch()) == 3


def test_a_reference_that_overloads_is_told_as_it_is(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    inputs = Inputs(clock, CHANNELS | {"short": 119})
    inputs.volts[119] = 5.0
    meter = ScpiMeter(
        link=inputs.meter,
        instrument=instrument(references=REFERENCES[:1]),
        channels=CHANNELS,
        rails=[rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)],
        clock=clock,
    )
    meter.identify()
    (short,) = meter.read_references()
    assert short.reading_v == 9.9e37


def test_a_reference_beyond_every_range_is_a_fault_of_the_bench_file(
    rail: Make, instrument: Make, simple: Make
) -> None:
    references = (ReferenceChannel(name="check standard", channel=120, value_v=2000.0, within_v=1.0),)
    with pytest.raises(PlanError, match="references: the check standard may show 2001 V, beyond the range of 1000 V"):
        scanned_meter(simple(FULL), rail, instrument, references=references)


def test_speaks_in_the_words_of_its_dialect(rail: Make, instrument: Make, simple: Make) -> None:
    words = MeterDialect(
        format="1", title="another", role="meter", reset=("RESET",), configure="FUNC VDC", range="RNG {range}",
        ask_range=None, nplc="INTEG {nplc}", ask_nplc=None, ask_line=None, start=None, read="MEASURE?", error="ERR?",
        set_up=("FILTER OFF",),
    )  # fmt: skip
    table = dict.fromkeys(["RESET", "FUNC VDC", "RNG", "INTEG", "FILTER"], "") | {
        "MEASURE?": "0.85", "ERR?": "0,none", "*ESR?": "0",
    }  # fmt: skip
    link = simple(table)
    clock = ManualClock()
    meter = ScpiMeter(
        link=link, instrument=instrument(), channels={}, rails=[rail("A", 0.85)], clock=clock, dialect=words
    )
    meter.identify()
    meter.start(["A"])
    assert meter.fetch()[0].reading_v == pytest.approx(0.85)
    assert [message for message in link.sent if message not in ("*OPC?", "*ESR?", "ERR?", "*IDN?")] == [
        "RESET", "FUNC VDC", "RNG 1", "FILTER OFF", "INTEG 1", "MEASURE?", "MEASURE?",
    ]  # fmt: skip


def test_the_scan_list_is_sent_only_when_it_changes(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    inputs = Inputs(clock, CHANNELS)
    sent: list[str] = []
    write = inputs.meter.write
    inputs.meter.write = lambda message, /: (sent.append(message), write(message))[1]  # type: ignore[method-assign]
    rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
    meter = ScpiMeter(link=inputs.meter, instrument=instrument(), channels=CHANNELS, rails=rails, clock=clock)
    meter.identify()
    del sent[:]
    for _ in range(3):
        meter.start(["A", "B"])
        meter.fetch()
    assert sent.count("ROUT:SCAN (@101,103)") == 1
    assert len(sent) == 2 + 3 * 4


def test_done_is_reckoned_from_relay_aperture_and_autozero(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    fields = {"nplc": 2.0, "line_hz": 60.0, "relay_delay_s": 0.01}
    for autozero, factor in ((True, 2), (False, 1)):
        meter = ScpiMeter(
            link=Inputs(clock, CHANNELS).meter,
            instrument=instrument(autozero=autozero, **fields),
            channels=CHANNELS,
            rails=[rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)],
            clock=clock,
        )
        meter.identify()
        done_s = meter.start(["A", "B", "C"])
        assert done_s - clock.now_s() == pytest.approx(3 * (0.01 + factor * 2 / 60), rel=1e-9)


def test_a_probe_needs_a_rail_to_be_on(rail: Make, instrument: Make, simple: Make) -> None:
    rails = [rail("A", 1.2), rail("B", 0.85)]
    with pytest.raises(PlanError, match=r"add `channels: \{A: 101\}`.*`settings: \{rail: A\}`"):
        ScpiMeter(link=simple({}), instrument=instrument(), channels={}, rails=rails, clock=ManualClock())
    with pytest.raises(PlanError, match="the plan has no rail 'Z'; it has A, B"):
        ScpiMeter(
            link=simple({}),
            instrument=instrument(settings={"rail": "Z"}),
            channels={},
            rails=rails,
            clock=ManualClock(),
        )


def test_a_bench_may_have_its_meter_on_some_rails_only(rail: Make, instrument: Make, simple: Make) -> None:
    rails = [rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)]
    meter = ScpiMeter(
        link=simple({}), instrument=instrument(), channels={"C": 5, "B": 7}, rails=rails, clock=ManualClock()
    )
    assert meter.rails == ("B", "C")
    with pytest.raises(InstrumentError, match="cannot read A: it is on B, C"):
        meter.start(["A"])


def test_leaves_the_scanner_open_and_the_queue_empty(rail: Make, instrument: Make) -> None:
    clock = ManualClock()
    inputs = Inputs(clock, CHANNELS)
    meter = scanned = ScpiMeter(
        link=inputs.meter,
        instrument=instrument(),
        channels=CHANNELS,
        rails=[rail("A", 1.2), rail("B", 0.85), rail("C", 0.9)],
        clock=clock,
    )
    meter.identify()
    inputs.meter.write("ROUT:CLOS (@101);:NONSENSE")
    scanned.close()
    inputs.meter.write("ROUT:CLOS? (@101);:SYST:ERR?")
    assert inputs.meter.read(1.0) == '0;+0,"No error"'


def test_closing_a_dead_instrument_hides_nothing_and_raises_nothing(rail: Make, instrument: Make, simple: Make) -> None:
    link = simple(FULL)
    meter = probe_meter(link, rail, instrument)
    meter.identify()
    link.table.clear()
    meter.close()
    assert link.is_closed
