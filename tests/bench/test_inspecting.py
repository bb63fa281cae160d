"""An inspection of benches on which everything is well, and on which several things are wrong at once."""

import socket
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from cornerrun.bench.inspecting import Inspected, inspect
from cornerrun.clock import ManualClock
from cornerrun.errors import InstrumentError
from cornerrun.plan.load import load_bench

PLANS = Path(__file__).parents[2] / "plans"
BOARD = """
chamber: {start: 25 degC}
electronic_load: {rail: VDD_SENSE, highest_current: 5 A}
"""


@pytest.fixture
def looked(tmp_path: Path) -> Callable[..., dict[str, Inspected]]:
    def look(*changes: tuple[str, str], board: tuple[tuple[str, str], ...] = ()) -> dict[str, Inspected]:
        bench = (PLANS / "supplied_bench.yaml").read_text()
        bench = bench.replace("channels:", '  oven: {driver: scpi-condition, resource: "simulated:chamber"}\nchannels:')
        simulation = (PLANS / "supplied_board.yaml").read_text() + "chamber: {start: 25 degC}\n"
        for old, new in changes:
            assert old in bench, old
            bench = bench.replace(old, new)
        for old, new in board:
            assert old in simulation, old
            simulation = simulation.replace(old, new)
        (tmp_path / "supplied_board.yaml").write_text(simulation)
        (tmp_path / "bench.yaml").write_text(bench)
        return {item.name: item for item in inspect(load_bench(tmp_path / "bench.yaml"), ManualClock())}

    return look


def test_a_bench_that_is_well_has_no_problems_and_every_instrument_is_known_and_read(looked) -> None:
    found = looked()
    assert {name: item.problems for name, item in found.items()} == dict.fromkeys(found, ())
    assert {name: item.kind for name, item in found.items()} == {
        "meter": "meter", "FEED_A": "supply", "FEED_B": "supply", "oven": "condition",
    }  # fmt: skip
    assert found["meter"].identity == "SIMULATED, DMM-6 scanner, SIM0001, 1.0"
    assert found["meter"].reading.startswith("3.3")
    assert "at output 1" in found["FEED_B"].reading
    assert float(found["oven"].reading.split()[0]) == pytest.approx(25.0, abs=0.2)
    assert found["FEED_A"].due == date(2027, 3, 1)
    assert found["oven"].remarks == ("nothing says when its calibration is due",)


def test_all_that_is_wrong_is_told_together(looked) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]  # nobody listens there once the block is left
    found = looked(
        ("FEED_A: {driver: scpi-supply, resource: simulated, calibrated: 2026-03-01, due: 2027-03-01}",
         "FEED_A: {driver: scpi-supply, resource: simulated, calibrated: 2019-03-01, due: 2020-03-01}"),
        ("FEED_B: {driver: scpi-supply, resource: simulated,",
         f'FEED_B: {{driver: scpi-supply, resource: "TCPIP::127.0.0.1::{port}::SOCKET",'),
        ('resource: "simulated:chamber"', 'resource: "simulated:chamber", identity: {serial: "00077"}'),
        ("    nplc: 1\n", "    nplc: 1\n    dialect: nowhere\n"),
    )  # fmt: skip
    assert found["FEED_A"].problems == ("its calibration was due on 2020-03-01",)
    assert found["FEED_A"].reading
    (dead,) = found["FEED_B"].problems
    assert f"127.0.0.1::{port}" in dead
    assert "efused" in dead
    (wrong,) = found["oven"].problems
    assert "another instrument: serial 'SIM0001' where the bench file says '00077'" in wrong
    assert "there is no dialect 'nowhere'" in found["meter"].problems[0]


def test_an_error_queue_that_is_not_empty_is_told_and_the_rest_is_asked(looked, monkeypatch) -> None:
    from cornerrun.bench.simulated.bench import SimulatedBench

    load = SimulatedBench.load

    def loaded(*arguments, **options):
        simulation = load(*arguments, **options)
        link = simulation.instrument("FEED_A")
        for _ in range(60):
            link.write("NONSENSE")
        return simulation

    monkeypatch.setattr(SimulatedBench, "load", loaded)
    item = looked()["FEED_A"]
    (problem,) = item.problems
    assert problem.startswith('its error queue held -113,"Undefined header')
    assert '-350,"Queue overflow' in problem
    assert item.reading
    assert item.identity


def test_an_open_door_is_a_problem(looked) -> None:
    chamber = ("chamber: {start: 25 degC}", "chamber: {start: 25 degC, door_openings: [{at: 0 s, lasts: 1 h}]}")
    assert looked(board=(chamber,))["oven"].problems == ("the door is open",)


def test_garbage_is_told_and_never_shown_as_a_reading(looked) -> None:
    faults = ("FEED_A: {rail: VDD_MCU,", "FEED_A: {rail: VDD_MCU, faults: {garbage: {rate: 100 %}},")
    item = looked(board=(faults,))["FEED_A"]
    assert item.problems
    assert (item.identity, item.reading) == ("", "")


def test_nothing_is_moved(looked, monkeypatch) -> None:
    from cornerrun.bench.simulated.bench import SimulatedBench

    load, made = SimulatedBench.load, []
    monkeypatch.setattr(SimulatedBench, "load", lambda *a, **k: made.append(load(*a, **k)) or made[-1])
    looked()
    rack = made[0].rack
    feed = rack.rail_supplies["FEED_A"]
    assert (feed.voltage_v, feed.limit_a, feed.over_voltage_v, feed.is_on) == (3.3, 3.0, 5.0, True)
    assert (rack.chamber.target_degc, rack.chamber.is_on) == (25.0, True)


def test_devices_at_the_addresses_of_a_bus_are_asked(tmp_path: Path) -> None:
    for path in PLANS.glob("quickstart*"):
        (tmp_path / path.name).write_text(path.read_text())
    bench = tmp_path / "quickstart_bench.yaml"
    text = bench.read_text()
    assert "clock: 400 kHz}" in text
    bench.write_text(text.replace("clock: 400 kHz}", "clock: 400 kHz, addresses: [0x40, 0x41]}"))
    bus = inspect(load_bench(bench), ManualClock())[0]
    assert (bus.kind, bus.reading) == ("bus", "0x40 answered")
    assert len(bus.problems) == 1
    assert bus.problems[0].startswith("0x41 does not answer")


def test_what_is_done_by_hand_is_named_and_asks_nobody(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(
        "format: 1\nstation: desk\nkind: hardware\n"
        "instruments: {meter: {driver: hand-meter, resource: in the drawer}, odd: {driver: lab-thing, resource: x}}\n"
        "conditions: {feed: {driver: by-hand, within: 1 V}}\n"
    )
    meter, odd, feed = inspect(load_bench(tmp_path / "bench.yaml"), ManualClock())
    assert (meter.kind, feed.kind) == ("by hand", "by hand")
    assert "asked without a plan" in odd.remarks[0]
    assert not meter.problems
    assert not odd.problems
    assert not feed.problems


def test_the_identity_of_the_bench_file_holds_in_every_run(tmp_path: Path) -> None:
    from cornerrun.bench.bench import open_bench
    from cornerrun.plan.load import load_plan

    for path in PLANS.glob("supplied*"):
        (tmp_path / path.name).write_text(path.read_text())
    bench = tmp_path / "supplied_bench.yaml"
    text = bench.read_text()
    bench.write_text(
        text.replace("FEED_A: {driver: scpi-supply,", "FEED_A: {driver: scpi-supply, identity: {model: X},")
    )
    ports = open_bench(load_plan(tmp_path / "supplied.yaml"), load_bench(bench), ManualClock())
    with pytest.raises(InstrumentError, match="another instrument: model 'rail supply' where the bench file says 'X'"):
        ports.power.connect()
    bench.write_text(text.replace("    nplc: 1\n", "    nplc: 1\n    identity: {maker: X}\n"))
    ports = open_bench(load_plan(tmp_path / "supplied.yaml"), load_bench(bench), ManualClock())
    with pytest.raises(InstrumentError, match="another instrument: maker 'SIMULATED' where the bench file says 'X'"):
        ports.meter.identify()
