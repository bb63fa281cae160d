import errno
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from cornerrun.bench.pmbus.formats import pec
from cornerrun.bench.pmbus.frames import GREETING
from cornerrun.bench.pmbus.tcp import TcpLink
from cornerrun.errors import LinkError


@contextmanager
def listening(*services: Callable[[socket.socket], None]) -> Iterator[tuple[str, int]]:
    """Serve one connection after another, each as the next of ``services`` says."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            for service in services:
                connection, _ = listener.accept()
                with connection, suppress(OSError):
                    service(connection)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield listener.getsockname()
        thread.join(5.0)


def answers(*replies: bytes) -> Callable[[socket.socket], None]:
    def service(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        for reply in replies:
            connection.recv(100)
            connection.sendall(reply)

    return service


WORD = bytes.fromhex("0000 0002 3412")


def test_one_message_is_one_request_and_one_reply() -> None:
    with listening(answers(WORD)) as (host, port):
        link = TcpLink(host, port)
        assert link.read_word_data(0x40, 0x8B) == 0x1234
        link.close()


def test_an_error_of_the_bus_keeps_its_number() -> None:
    with listening(answers(bytes.fromhex("0006 0000"), WORD)) as (host, port):
        link = TcpLink(host, port)
        with pytest.raises(OSError, match="No such device or address") as raised:
            link.read_word_data(0x40, 0x8B)
        assert raised.value.errno == errno.ENXIO
        assert link.read_word_data(0x40, 0x8B) == 0x1234
        link.close()


def test_nobody_listening_says_what_to_start() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(LinkError, match=rf"tcp:127.0.0.1:{port}: no bus .* `cornerrun simulate BENCH`") as raised:
        TcpLink("127.0.0.1", port)
    assert raised.value.errno == errno.ECONNREFUSED


def test_another_kind_of_server_is_told_from_a_bus() -> None:
    with listening(lambda connection: connection.sendall(b"220 some other service ready\r\n")) as (host, port):  # noqa: SIM117
        with pytest.raises(LinkError, match="what answers there is no SMBus server"):
            TcpLink(host, port)


def test_a_server_that_says_nothing_is_no_bus() -> None:
    with listening(lambda connection: (connection.recv(1), None)[1]) as (host, port):  # noqa: SIM117
        with pytest.raises(LinkError, match="does not greet as an SMBus server does"):
            TcpLink(host, port, timeout_s=0.05)


def test_a_late_answer_is_never_taken_for_that_of_another_message() -> None:
    gate = threading.Event()

    def late(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        connection.recv(100)
        gate.wait(5.0)
        connection.sendall(bytes.fromhex("0000 0002 ffff"))

    with listening(late, answers(WORD)) as (host, port):
        link = TcpLink(host, port, timeout_s=0.05)
        with pytest.raises(OSError, match="in time") as raised:
            link.read_word_data(0x40, 0x8B)
        assert raised.value.errno == errno.ETIMEDOUT
        gate.set()
        assert link.read_word_data(0x40, 0x8B) == 0x1234, "over a connection of its own"
        link.close()


def test_a_broken_connection_is_an_error_and_the_next_message_connects_anew() -> None:
    def dies(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        connection.recv(100)
        connection.sendall(b"\x00")

    with listening(dies, answers(WORD)) as (host, port):
        link = TcpLink(host, port)
        with pytest.raises(ConnectionResetError):
            link.read_word_data(0x40, 0x8B)
        assert link.read_word_data(0x40, 0x8B) == 0x1234
        link.close()


def test_a_group_is_one_request_each_write_with_its_own_packet_error_code() -> None:
    seen: list[bytes] = []

    def service(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        seen.append(connection.recv(100))
        connection.sendall(bytes.fromhex("0000 0000"))

    with listening(service) as (host, port):
        link = TcpLink(host, port, pec=1)
        link.group_write([(0x40, b"\x01\xa8"), (0x41, b"\x01\x98")])
        link.close()
    codes = [pec((0x80, 0x01, 0xA8)), pec((0x82, 0x01, 0x98))]
    assert seen == [bytes.fromhex(f"ff 02 0002 000c  40 0003 01a8 {codes[0]:02x}  41 0003 0198 {codes[1]:02x}")]


def test_a_server_without_groups_is_asked_once_and_goes_on_with_single_messages() -> None:
    asked = []

    def closes(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        asked.append(connection.recv(100))

    with listening(closes, answers(WORD)) as (host, port):
        link = TcpLink(host, port)
        for _ in range(2):
            with pytest.raises(OSError, match="knows no group commands") as raised:
                link.group_write([(0x40, b"\x01\xa8"), (0x41, b"\x01\xa8")])
            assert raised.value.errno == errno.EOPNOTSUPP
        assert len(asked) == 1
        assert link.read_word_data(0x40, 0x8B) == 0x1234
        link.close()


def test_a_group_that_a_device_refuses_keeps_the_number_of_the_error() -> None:
    with listening(answers(bytes.fromhex("0006 0000"), bytes.fromhex("0000 0000"))) as (host, port):
        link = TcpLink(host, port)
        with pytest.raises(OSError, match="No such device or address"):
            link.group_write([(0x40, b"\x01\xa8"), (0x41, b"\x01\xa8")])
        link.group_write([(0x40, b"\x01\xa8"), (0x41, b"\x01\xa8")])
        link.close()
