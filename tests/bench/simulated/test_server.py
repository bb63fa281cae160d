import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from cornerrun.bench.pmbus.frames import GREETING, encode_request
from cornerrun.bench.pmbus.tcp import TcpLink
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.clock import ManualClock, SystemClock
from cornerrun.errors import BenchError, LinkError

A = 0x40
BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40}
  PM2: {bus: aux, address: 0x40}
rails:
  - {name: VDD, nominal: 1.2 V, power: {device: PM1, page: 0}, adc: {noise: 0 V}}
  - {name: VDDX, nominal: 1.8 V, power: {device: PM2, page: 0}}
channels: {VDD: 101}
meter: {noise: 0 V}
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    path = tmp_path / "board.yaml"
    path.write_text(BOARD)
    return path


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def server(board: Path, clock: ManualClock) -> Iterator[SimulationServer]:
    served = SimulationServer(board, clock, clock_hz={"main": 400e3})
    yield served
    served.close()


@pytest.fixture
def link(server: SimulationServer) -> Iterator[TcpLink]:
    opened = TcpLink(*server.addresses["main"], pec=1)
    yield opened
    opened.close()


class Text:
    """A raw text client, without VISA."""

    def __init__(self, address: tuple[str, int]) -> None:
        self.socket = socket.create_connection(address, 5.0)
        self.file = self.socket.makefile("r", encoding="latin-1", newline="\n")

    def ask(self, message: str) -> str:
        self.socket.sendall(message.encode() + b"\n")
        return self.file.readline().rstrip("\n")

    def close(self) -> None:
        self.file.close()
        self.socket.close()


def test_a_bus_answers_through_a_socket_as_it_does_in_process(
    server: SimulationServer, link: TcpLink, clock: ManualClock
) -> None:
    assert link.read_word_data(A, Code.VOUT_COMMAND) == round(1.2 * 4096)
    assert bytes(link.read_block_data(A, Code.MFR_MODEL)) == b"PM8"
    assert link.block_process_call(A, Code.QUERY, [Code.PAGE]) == [0xF0]
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    clock.sleep_until(clock.now_s() + 0.1)
    assert server.bench.truth_v("VDD", clock.now_s()) == pytest.approx(1.26, abs=2.0**-12)
    assert link.read_word_data(A, Code.READ_VOUT) == round(1.26 * 4096)
    with pytest.raises(OSError, match="No such device"):
        link.read_byte_data(0x41, Code.PAGE)


def test_wire_time_is_charged_to_the_clock_of_the_bench(link: TcpLink, clock: ManualClock) -> None:
    before_s = clock.now_s()
    link.read_word_data(A, Code.READ_VOUT)
    assert clock.now_s() - before_s == pytest.approx(57 / 400e3)
    before_s = clock.now_s()
    link.read_block_data(A, Code.MFR_MODEL)
    assert clock.now_s() - before_s == pytest.approx((39 + 9 * 3 + 9) / 400e3)


def test_each_bus_has_a_port_of_its_own(server: SimulationServer) -> None:
    assert set(server.addresses) == {"main", "aux", None}
    aux = TcpLink(*server.addresses["aux"])
    assert aux.read_word_data(A, Code.VOUT_COMMAND) == round(1.8 * 4096)
    aux.close()


def test_the_meter_answers_text(server: SimulationServer, link: TcpLink, clock: ManualClock) -> None:
    link.write_byte_data(A, Code.OPERATION, 0x98)
    clock.sleep_until(clock.now_s() + 0.1)
    text = Text(server.addresses[None])
    assert text.ask("*IDN?").startswith("SIMULATED,")
    text.socket.sendall(b"CONF:VOLT:DC 10,(@101)\nROUT:SCAN (@101)\n")
    assert float(text.ask("READ?")) == pytest.approx(1.14, abs=2.0**-12)
    assert text.ask("SYST:ERR?") == '+0,"No error"' or text.ask("SYST:ERR?").startswith("0")
    text.close()


@pytest.mark.parametrize(
    "part", [b"\x40", b"\x40\x00\x00\x03\x00\x09\x21", encode_request(A, b"\x01\xa8", 0, False)[:-1]]
)
def test_a_client_that_dies_in_the_middle_of_a_message_moves_nothing(
    server: SimulationServer, link: TcpLink, part: bytes
) -> None:
    dying = socket.create_connection(server.addresses["main"], 5.0)
    assert dying.recv(len(GREETING)) == GREETING
    dying.sendall(part)
    dying.close()
    assert link.read_byte_data(A, Code.OPERATION) == 0x80
    again = TcpLink(*server.addresses["main"])
    assert again.read_byte_data(A, Code.OPERATION) == 0x80
    again.close()


def test_a_client_that_sends_text_to_a_bus_is_dropped(server: SimulationServer, link: TcpLink) -> None:
    lost = socket.create_connection(server.addresses["main"], 5.0)
    assert lost.recv(len(GREETING)) == GREETING
    lost.sendall(b"*IDN?\n*IDN?\n")
    assert lost.recv(1) == b""
    lost.close()
    assert link.read_byte_data(A, Code.PAGE) == 0


def test_a_line_without_end_does_not_fill_the_memory(server: SimulationServer) -> None:
    flooding = socket.create_connection(server.addresses[None], 5.0)
    flooding.sendall(b"A" * 300_000)
    flooding.close()
    text = Text(server.addresses[None])
    assert text.ask("*IDN?").startswith("SIMULATED,")
    text.close()


def test_bytes_that_are_no_text_do_not_end_the_meter(server: SimulationServer) -> None:
    text = Text(server.addresses[None])
    text.socket.sendall(bytes(range(256)) + b"\n")
    text.socket.sendall(b"*CLS\n")
    assert text.ask("*IDN?").startswith("SIMULATED,")
    text.close()


def test_two_clients_at_once_see_one_bench(server: SimulationServer, link: TcpLink) -> None:
    wrong: list[int] = []

    def read_many() -> None:
        own = TcpLink(*server.addresses["main"], pec=1)
        wrong.extend(w for w in (own.read_word_data(A, Code.VOUT_COMMAND) for _ in range(300)) if w != 4915)
        own.close()

    threads = [threading.Thread(target=read_many) for _ in range(3)]
    for thread in threads:
        thread.start()
    for _ in range(100):
        link.write_byte_data(A, Code.PAGE, 0)
    for thread in threads:
        thread.join(10.0)
    assert wrong == []


def test_closing_ends_every_connection_and_frees_the_ports(board: Path) -> None:
    server = SimulationServer(board, ManualClock())
    link = TcpLink(*server.addresses["main"])
    server.close()
    with pytest.raises(OSError, match=r"closed|refused|reset"):
        link.read_byte_data(A, Code.PAGE)
    link.close()
    with pytest.raises(LinkError):
        TcpLink(*server.addresses["main"])


def test_a_port_that_is_taken_is_a_clear_error(board: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BenchError, match=rf"port {port} of 127.0.0.1 cannot be used.*--port-base"):
            SimulationServer(board, ManualClock(), port_base=port)


def test_on_the_machine_s_clock_messages_take_the_time_of_the_wire(board: Path) -> None:
    server = SimulationServer(board, SystemClock(), clock_hz={"main": 100e3})
    link = TcpLink(*server.addresses["main"], pec=1)
    clock = SystemClock()
    started_s = clock.now_s()
    for _ in range(40):
        link.read_word_data(A, Code.READ_VOUT)
    took_s = clock.now_s() - started_s
    link.close()
    server.close()
    # 40 messages of 570 us; charges below the clock's grain of 2 ms may be outstanding.
    assert took_s >= 40 * 570e-6 - 0.002


TWO_DEVICES = BOARD.replace("bus: aux, address: 0x40", "bus: main, address: 0x41")


@pytest.mark.parametrize("group", [True, False])
def test_devices_of_a_group_command_act_at_its_one_stop(tmp_path: Path, clock: ManualClock, group: bool) -> None:
    path = tmp_path / "board.yaml"
    path.write_text(TWO_DEVICES.replace("address: 0x40}", f"address: 0x40, group: {str(group).lower()}}}"))
    server = SimulationServer(path, clock, clock_hz={"main": 10e3})
    link = TcpLink(*server.addresses["main"], pec=1)
    before_s = clock.now_s()
    link.group_write([(A, bytes((Code.OPERATION, 0xA8))), (A + 1, bytes((Code.OPERATION, 0xA8)))])
    assert clock.now_s() - before_s == pytest.approx((1 + 9 + 27) * 2 / 10e3 + 1 / 10e3)
    # 37 bits are 3.7 ms: a device that knows no groups has begun to move by then, before the STOP of both.
    assert (server.bench.truth_v("VDD", clock.now_s()) > 1.2005) is not group
    assert server.bench.truth_v("VDDX", clock.now_s()) == pytest.approx(1.8, abs=0.5e-3)
    clock.sleep_until(before_s + 0.2)
    for rail, wanted_v in (("VDD", 1.26), ("VDDX", 1.89)):
        assert server.bench.truth_v(rail, clock.now_s()) == pytest.approx(wanted_v, abs=1e-3)
    with pytest.raises(OSError, match="No such device or address"):
        link.group_write([(A, bytes((Code.OPERATION, 0x80))), (0x55, bytes((Code.OPERATION, 0x80)))])
    link.close()
    server.close()


def test_a_group_that_makes_no_sense_closes_the_connection_and_nothing_reaches_the_bus(
    server: SimulationServer, clock: ManualClock
) -> None:
    with socket.create_connection(server.addresses["main"], 5.0) as raw:
        assert raw.recv(100) == GREETING
        raw.sendall(bytes.fromhex("ff 02 0002 0005  40 0002 01a8"))
        assert raw.recv(100) == b""
    clock.sleep_until(clock.now_s() + 0.1)
    assert server.bench.truth_v("VDD", clock.now_s()) == pytest.approx(1.2, abs=1e-3)
