"""Supply, electronic load, chamber and console behind real sockets."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from cornerrun.bench.scpi.visa import PyvisaLink
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.clock import ManualClock

BOARD = """
format: 1
managers: {PM1: {bus: main, address: 0x40}}
rails: [{name: VDD, nominal: 1.2 V, load: 10 A, power: {device: PM1, page: 0}}]
channels: {VDD: 101}
meter: {}
supply: {model: PSU-1, current_limit: 3 A, readback_noise: 0 V}
electronic_load: {rail: VDD}
chamber: {soak: 0 s, sensor_noise: 0 degC}
board: {console: {banner: ['tide gauge 1.4']}}
population: {weak: {returned: {serials: ["00123"], rails: {VDD: {offset_error: 20 mV}}}}}
"""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[SimulationServer]:
    path = tmp_path / "board.yaml"
    path.write_text(BOARD)
    server = SimulationServer(path, ManualClock(), serial="00123")
    yield server
    server.close()


def link(server: SimulationServer, name: str) -> PyvisaLink:
    host, port = server.others[name]
    return PyvisaLink(f"TCPIP::{host}::{port}::SOCKET")


def ask(instrument: PyvisaLink, message: str) -> str:
    instrument.write(message)
    return instrument.read(5.0)


def test_each_has_a_port_of_its_own(server: SimulationServer) -> None:
    assert list(server.others) == ["supply", "electronic_load", "chamber", "console"]
    ports = {port for _, port in (*server.addresses.values(), *server.others.values())}
    assert len(ports) == 6


@pytest.mark.parametrize("name", ["supply", "electronic_load", "chamber"])
def test_each_says_who_it_is_and_has_no_error(server: SimulationServer, name: str) -> None:
    instrument = link(server, name)
    assert ask(instrument, "*IDN?").startswith("SIMULATED,")
    assert ask(instrument, "SYST:ERR?") == '+0,"No error"'
    instrument.close()


def test_the_load_that_one_client_sets_is_what_the_supply_of_another_feeds(server: SimulationServer) -> None:
    supply, load = link(server, "supply"), link(server, "electronic_load")
    before_a = float(ask(supply, "MEAS:CURR?"))
    assert ask(load, "CURR 5;:INP ON;*OPC?") == "1"
    after_a = float(ask(supply, "MEAS:CURR?"))
    # 5 A from about 1.22 V more, over the efficiency of 85 %, from 12 V.
    assert after_a - before_a == pytest.approx(5 * 1.22 / 0.85 / 12, rel=0.02)
    supply.close()
    load.close()


def test_the_unit_is_the_one_of_the_serial_number(server: SimulationServer) -> None:
    assert server.bench.truth_v("VDD", server.bench.now) == pytest.approx(1.22, abs=1e-3)


def test_the_console_speaks_by_itself_and_answers(server: SimulationServer) -> None:
    with socket.create_connection(server.others["console"], timeout=5.0) as connection:
        lines = connection.makefile("rw", newline="\n")
        assert lines.readline() == "tide gauge 1.4\n"
        lines.write("status\n")
        lines.flush()
        assert lines.readline().startswith("up for ")
