"""Real sockets on loopback: what pyvisa-py does there, and that the link mends it."""

import errno
import gc
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Any

import pytest

from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.scpi.visa import PyvisaLink
from cornerrun.bench.simulated.meter import SimulatedMeter, SimulatedMeterSettings
from cornerrun.clock import SystemClock
from cornerrun.errors import InstrumentError
from cornerrun.testing.meter_contract import MeterBench, MeterContract

CHANNELS = {"A": 103, "B": 101}
Serve = Callable[[Callable[[str], bytes | None]], AbstractContextManager[int]]
Make = Callable[..., Any]


def resource(port: int) -> str:
    return f"TCPIP::127.0.0.1::{port}::SOCKET"


@pytest.fixture
def link(serve: Serve) -> Iterator[Callable[[Callable[[str], bytes | None]], PyvisaLink]]:
    opened: list[Any] = []

    def open_link(reply: Callable[[str], bytes | None]) -> PyvisaLink:
        context = serve(reply)
        made = PyvisaLink(resource(context.__enter__()))
        opened.append((made, context))
        return made

    yield open_link
    for made, context in opened:
        made.close()
        context.__exit__(None, None, None)


class TestOverTcp(MeterContract):
    @pytest.fixture
    def bench(self, serve: Serve, rail: Make, instrument: Make) -> Iterator[MeterBench]:
        clock = SystemClock()
        volts = dict.fromkeys(CHANNELS.values(), 0.5)
        simulated = SimulatedMeter(
            settings=SimulatedMeterSettings.model_validate({"line": "1 kHz", "relay": "0 s", "latency": "0 s"}),
            clock=clock,
            input_v=lambda channel, start_s, aperture_s: volts[channel],
        )

        def reply(line: str) -> bytes:
            simulated.write(line)
            return f"{simulated.read(1.0)}\r\n".encode("ascii") if simulated.has_answer else b""

        with serve(reply) as port:
            meter = ScpiMeter(
                link=PyvisaLink(resource(port)),
                instrument=instrument(resource=resource(port), line_hz=1000.0, relay_delay_s=0.0),
                channels=CHANNELS,
                rails=[rail("A", 1.2), rail("B", 0.85)],
                clock=clock,
            )
            yield MeterBench(
                meter=meter,
                clock=clock,
                set_v=lambda name, voltage_v: volts.update({CHANNELS[name]: voltage_v}),
                tolerance_v=20e-6,
                overload_v=20.0,
            )
            meter.close()


def test_lines_go_out_and_come_in_without_their_ends(link: Any) -> None:
    made = link(lambda line: f"<{line}>\r\n".encode("ascii"))
    made.write("*IDN?")
    assert made.read(1.0) == "<*IDN?>"


def test_silence_is_a_timeout(link: Any) -> None:
    made = link(lambda line: b"")
    made.write("*IDN?")
    with pytest.raises(TimeoutError):
        made.read(0.05)


def test_a_hang_up_is_told_from_silence(link: Any) -> None:
    made = link(lambda line: None)
    made.write("*IDN?")
    with pytest.raises(ConnectionResetError, match="closed the connection"):
        made.read(0.05)


def test_bytes_beyond_ascii_are_text_and_no_crash(link: Any) -> None:
    made = link(lambda line: b"\xff\xfe banana\n")
    made.write("*IDN?")
    assert made.read(1.0) == "ÿþ banana"


def test_an_endless_answer_is_cut(link: Any) -> None:
    made = link(lambda line: b"9" * (1 << 21))
    made.write("*IDN?")
    assert len(made.read(1.0)) == 1 << 20


def test_clear_drops_what_is_on_its_way(link: Any) -> None:
    made = link(lambda line: b"old\nolder\n" if line == "A?" else b"new\n")
    made.write("A?")
    made.clear()
    made.write("B?")
    assert made.read(1.0) == "new"


def test_a_write_then_a_query_does_not_wait_for_a_delayed_acknowledge(link: Any) -> None:
    made = link(lambda line: b"1\n" if line.endswith("?") else b"")
    made.write("*OPC?")
    made.read(1.0)
    started_s = time.monotonic()
    for _ in range(5):
        made.write("INIT")
        made.write("*OPC?")
        made.read(1.0)
    # Each pair would take 40 ms, the delayed acknowledge of Linux; half of that leaves room for a busy machine.
    assert time.monotonic() - started_s < 5 * 0.020


def test_a_dead_port_is_a_clear_error(serve: Serve) -> None:
    with serve(lambda line: b"") as port:
        pass
    with pytest.raises(InstrumentError, match=r"cannot be opened.*Connection refused.*on and reachable"):
        PyvisaLink(resource(port))


def test_a_link_that_was_closed_says_so(link: Any) -> None:
    made = link(lambda line: b"")
    made.close()
    for use in (lambda: made.write("*IDN?"), lambda: made.read(0.05), made.clear):
        with pytest.raises(OSError, match="the link is closed") as caught:
            use()
        assert caught.value.errno == errno.EBADF


# pyvisa-py leaves a socket of its own open where it cannot connect.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("text", ["rubbish", "", "TCPIP::127.0.0.1::notaport::SOCKET"])
def test_what_is_no_resource_is_a_clear_error(text: str) -> None:
    with pytest.raises(InstrumentError, match=r"cannot be opened.*see that it is written like"):
        PyvisaLink(text)
    gc.collect()


def test_a_back_end_that_is_not_there_is_a_clear_error() -> None:
    with pytest.raises(InstrumentError, match="cannot be opened"):
        PyvisaLink("GPIB0::22::INSTR", settings={"backend": "/no/such/library.so"})


def test_two_links_live_side_by_side(link: Any) -> None:
    first, second = link(lambda line: b"1\n"), link(lambda line: b"2\n")
    first.close()
    second.write("A?")
    assert second.read(1.0) == "2"
