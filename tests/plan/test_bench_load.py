from datetime import date
from pathlib import Path

import pytest

from cornerrun.errors import PlanProblems
from cornerrun.plan.bench_file import InputPowerCommands, MeterUncertainty, ReferenceChannel, SoakUntil
from cornerrun.plan.load import load_bench

SIMULATED = """\
format: 1
station: desk
kind: simulated
buses: {main: {link: simulated, clock: 400 kHz}}
instruments:
  meter:
    driver: scpi-meter
    resource: simulated
    nplc: 1
    line: 50 Hz
    uncertainty: {reading: 35 ppm, range: 5 ppm, coverage: 2}
    calibrated: 2026-03-01
    due: 2027-03-01
channels: {CORE: 101, DDR: 102}
watch: {period: 50 ms}
simulation: board.yaml
"""
HARDWARE = """\
format: 1
station: rack 4
kind: hardware
buses:
  main: {link: "i2c:usb adapter", pec: false}
  aux: {link: "tcp:127.0.0.1:5030"}
instruments: {meter: {driver: scpi-meter, resource: "TCPIP::192.0.2.7::5025::SOCKET", range: 10 V, autozero: false}}
conditions: {ambient: {driver: chamber, settings: {resource: ASRL1, slope: 2.0}}}
"""


def read(tmp_path: Path, text: str):
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


def test_reads_a_simulated_bench(tmp_path: Path) -> None:
    bench = read(tmp_path, SIMULATED)
    assert (bench.station, bench.kind, bench.simulation) == ("desk", "simulated", tmp_path / "board.yaml")
    assert (bench.buses["main"].clock_hz, bench.buses["main"].pec) == (400e3, True)
    assert bench.meter is not None
    assert bench.meter.uncertainty == MeterUncertainty(reading_ratio=35e-6, range_ratio=5e-6, coverage=2.0)
    assert (bench.meter.calibrated, bench.meter.due) == (date(2026, 3, 1), date(2027, 3, 1))
    assert bench.channels == {"CORE": 101, "DDR": 102}
    assert bench.watch.period_s == 0.05
    assert bench.source.role == "bench"


def test_reads_a_bench_of_hardware(tmp_path: Path) -> None:
    bench = read(tmp_path, HARDWARE)
    assert bench.buses["main"].link == "i2c:usb adapter"
    assert (bench.buses["main"].pec, bench.buses["aux"].clock_hz) == (False, 100e3)
    assert bench.meter is not None
    assert (bench.meter.range_v, bench.meter.autozero, bench.meter.uncertainty) == (10.0, False, None)
    assert bench.conditions["ambient"].settings == {"resource": "ASRL1", "slope": "2.0"}
    assert (bench.simulation, bench.watch.period_s) == (None, 0.1)


def test_a_bench_needs_neither_meter_nor_bus(tmp_path: Path) -> None:
    bench = read(tmp_path, "format: 1\nstation: desk\nkind: hardware\nsimulation: null\n")
    assert (bench.meter, bench.buses, bench.channels) == (None, {}, {})


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("kind: simulated", "kind: real", ("3:7: kind: the text 'real' does not fit here; "
         "write one of 'simulated', 'hardware'")),
        ("kind: simulated", "kind: simulatd", ("3:7: kind: the text 'simulatd' does not fit here; "
         "did you mean 'simulated'?")),
        ("simulation: board.yaml\n", "", ("4:22: buses.main.link: nothing says how the simulated board behaves; "
         "write 'simulation: FILE.yaml' in the bench file")),
        ("link: simulated", "link: tcp:localhost", ("4:22: buses.main.link: 'tcp:localhost' is no link; "
         "write 'simulated', 'tcp:HOST:PORT' or 'i2c:NAME OF ADAPTER'")),
        ("link: simulated", "link: tcp:localhost:70000", ("4:22: buses.main.link: 'tcp:localhost:70000' is no link; "
         "write 'simulated', 'tcp:HOST:PORT' or 'i2c:NAME OF ADAPTER'")),
        ("link: simulated", "link: i2c:adapter", ("4:22: buses.main.link: 'i2c:adapter' reaches hardware, "
         "but the bench is of kind simulated; write 'kind: hardware'")),
        ("clock: 400 kHz", "clock: 400", "4:40: buses.main.clock: '400' has no unit; write it like '400 Hz'"),
        ("DDR: 102", "DDR: 101", ("14:28: channels.DDR: channel 101 is that of CORE already; "
         "give each rail its own channel")),
        ("DDR: 102", "DDR: 1O2", "14:28: channels.DDR: '1O2' is no whole number; write it like '12' or '0x40'"),
        ("due: 2027-03-01", "due: 2026-02-01", ("13:10: instruments.meter.due: calibration is due before it was done; "
         "mend one of the two dates")),
        ("due: 2027-03-01", "due: next March", ("13:10: instruments.meter.due: 'next March' is no date; "
         "write year, month and day like '2026-03-01'")),
        ("nplc: 1", "nplc: 0", "9:11: instruments.meter.nplc: '0' is out of range; write a value above 0"),
        ("  meter:", "  metre:", "6:3: instruments.metre: unknown key 'metre'; did you mean 'meter'?"),
        ("period: 50 ms", "period: 0 s", "15:17: watch.period: '0 s' is out of range; write a value above 0"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_bench_is_told_with_its_place(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert SIMULATED.count(old) == 1
    with pytest.raises(PlanProblems) as caught:
        read(tmp_path, SIMULATED.replace(old, new))
    assert str(caught.value) == f"{tmp_path}/bench.yaml:{said}"


def test_hardware_simulates_nothing(tmp_path: Path) -> None:
    with pytest.raises(PlanProblems) as caught:
        read(tmp_path, SIMULATED.replace("kind: simulated", "kind: hardware"))
    assert [problem.field for problem in caught.value.problems] == [
        "buses.main.link",
        "instruments.meter.resource",
        "simulation",
    ]


def test_channels_without_a_meter_are_told(tmp_path: Path) -> None:
    text = "format: 1\nstation: desk\nkind: hardware\nchannels: {CORE: 1}\n"
    with pytest.raises(PlanProblems, match="channels: channels without a meter"):
        read(tmp_path, text)


RACK = """\
format: 1
station: rack 4
kind: hardware
buses: {main: {link: "i2c:usb adapter"}}
instruments:
  meter:
    driver: scpi-meter
    resource: "TCPIP::192.0.2.7::5025::SOCKET"
    dialect: bench_meter
    references: {shorted: {channel: 119, within: 10 uV}, standard: {channel: 120, value: 1.000013 V, within: 50 uV}}
  oven: {driver: scpi-condition, resource: "TCPIP::192.0.2.8::INSTR", due: 2027-01-01}
channels: {CORE: 101, DDR: 102}
conditions:
  ambient:
    driver: scpi
    instrument: oven
    within: 1 degC
    stable_for: 30 s
    soak: {sensor: CORE, window: 0.5 degC, slope: 0.6 K/min, time: 5 min}
"""


def test_instruments_other_than_the_meter_have_any_name(tmp_path: Path) -> None:
    bench = read(tmp_path, RACK)
    assert tuple(bench.instruments) == ("oven",)
    assert bench.instruments["oven"].due == date(2027, 1, 1)
    assert bench.meter is not None
    assert (bench.meter.name, bench.meter.dialect) == ("meter", "bench_meter")
    assert bench.meter.references == (
        ReferenceChannel(name="shorted", channel=119, value_v=0.0, within_v=10e-6),
        ReferenceChannel(name="check standard", channel=120, value_v=1.000013, within_v=50e-6),
    )


def test_a_condition_says_which_instrument_sets_it_and_when_the_board_has_taken_it_on(tmp_path: Path) -> None:
    driver = read(tmp_path, RACK).conditions["ambient"]
    assert (driver.instrument, driver.within, driver.stable_for_s) == ("oven", "1 degC", 30.0)
    assert driver.soak == SoakUntil(sensor="CORE", window_k=0.5, slope_k_per_s=pytest.approx(0.01), time_s=300.0)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("  meter:\n", "  metre:\n", "6:3: instruments.metre: unknown key 'metre'; did you mean 'meter'?"),
        ("instrument: oven", "instrument: ovn",
         "16:17: conditions.ambient.instrument: no instrument is called 'ovn'; did you mean 'oven'?"),
        ("  oven: {", "  main: {", "11:3: instruments.main: 'main' is a bus, too"),
        ("shorted: {channel: 119", "shorted: {channel: 102",
         "10:37: instruments.meter.references.shorted.channel: channel 102 is that of DDR already"),
        ("value: 1.000013 V, ", "", "instruments.meter.references.standard.value"),
        ("channels: {CORE: 101, DDR: 102}\n", "", "a reference needs a scanner, and no rail has a channel"),
        ("slope: 0.6 K/min", "slope: 0.6", "conditions.ambient.soak.slope"),
    ],
)  # fmt: skip
def test_a_rack_that_does_not_fit_says_where_and_what(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in RACK
    with pytest.raises(PlanProblems) as raised:
        read(tmp_path, RACK.replace(old, new, 1))
    assert said in str(raised.value)


def test_only_a_meter_reads_references(tmp_path: Path) -> None:
    text = RACK.replace('INSTR", due', 'INSTR", references: {shorted: {channel: 1, within: 1 mV}}, due')
    with pytest.raises(PlanProblems, match="only a meter reads references; write them at the meter"):
        read(tmp_path, text)


def test_a_link_may_be_that_of_a_driver_that_a_package_brings(tmp_path: Path) -> None:
    assert read(tmp_path, RACK.replace("i2c:usb adapter", "lab-box:port 3")).buses["main"].link == "lab-box:port 3"
    with pytest.raises(PlanProblems, match="is no link"):
        read(tmp_path, RACK.replace("i2c:usb adapter", "lab box"))


@pytest.mark.parametrize(
    ("resource", "section"),
    [("simulated", "oven"), ("simulated:chamber", "chamber"), ("TCPIP::192.0.2.8::INSTR", None)],
)
def test_a_simulated_instrument_is_its_namesake_or_the_one_named(
    tmp_path: Path, resource: str, section: str | None
) -> None:
    text = SIMULATED.replace("channels:", f'  oven: {{driver: scpi-condition, resource: "{resource}"}}\nchannels:')
    assert read(tmp_path, text).instruments["oven"].simulated_as == section


def test_a_bench_has_a_console_and_a_way_to_cut_the_input_power(tmp_path: Path) -> None:
    text = "console: ASRL2\ninput_power: {off: ./mains.sh off, on: ./mains.sh on, timeout: 4 s}\n"
    bench = read(tmp_path, HARDWARE + text)
    assert bench.console == "ASRL2"
    assert bench.input_power == InputPowerCommands(off="./mains.sh off", on="./mains.sh on", timeout_s=4.0)
    with pytest.raises(PlanProblems, match="console: 'simulated' on a bench of kind hardware"):
        read(tmp_path, HARDWARE + "console: simulated\n")
    with pytest.raises(PlanProblems, match=r"input_power\.on"):
        read(tmp_path, HARDWARE + "input_power: {off: ./mains.sh off}\n")
