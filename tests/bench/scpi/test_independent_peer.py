"""The session layer against a SCPI server that is not ours: scpipy, with its own parser, status system and sockets."""

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from scpipy.server import Router, Server
from scpipy.shared.errors import ScpiError, ScpiException

from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.scpi.text import number, parse_identity
from cornerrun.bench.scpi.visa import PyvisaLink
from cornerrun.clock import SystemClock
from cornerrun.errors import InstrumentError
from cornerrun.testing.meter_contract import MeterBench, MeterContract

IDENTITY = "MAKER,PEER,7,1.0"
CHANNELS = {"A": 103, "B": 101}
Make = Callable[..., Any]


class Peer:
    """A voltmeter with a scanner of two channels, made of what the library offers."""

    def __init__(self) -> None:
        self.volts = dict.fromkeys(CHANNELS.values(), 0.5)
        self.range_v, self.nplc, self.scan = 10.0, 1.0, [101]
        self.late_s = 0.0
        router = Router()
        for command, handler in {
            "*IDN?": lambda context: IDENTITY,
            "*RST": lambda context: None,
            "CONFigure:VOLTage:DC": self.configure,
            "SENSe:VOLTage:DC:RANGe <range>": self.set_range,
            "SENSe:VOLTage:DC:RANGe?": lambda context: self.range_v,
            "SENSe:VOLTage:DC:NPLCycles <nplc>": self.set_nplc,
            "SENSe:VOLTage:DC:NPLCycles?": lambda context: self.nplc,
            "SENSe:VOLTage:DC:ZERO:AUTO <state>": lambda context, state: None,
            "SYSTem:LFRequency?": lambda context: 50,
            "TRIGger:DELay <delay>": lambda context, delay: None,
            "ROUTe:SCAN": self.set_scan,
            "ROUTe:OPEN:ALL": lambda context: None,
            "INITiate": lambda context: None,
            "FETCh?": self.fetch,
            "READ?": self.fetch,
            "ABORt": lambda context: None,
            "TEST:LATE?": self.late,
        }.items():
            router.add_route(command, handler)
        self._server = Server("127.0.0.1", 0)
        self._server.include_router(router)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        while not (listening := getattr(self._server, "_server", None)) or not listening.sockets:
            time.sleep(0.005)
        self.port = listening.sockets[0].getsockname()[1]

    def _serve(self) -> None:
        self._loop.run_until_complete(self._server._listen())

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._server.stop)
        self._thread.join(5.0)
        self._loop.close()

    def configure(self, context: Any, range_v: str = "10", *channels: str) -> None:
        self.set_range(context, range_v)

    def set_range(self, context: Any, range_v: str) -> None:
        self.range_v = next(held for held in (0.1, 1.0, 10.0, 100.0) if held >= float(range_v))

    def set_nplc(self, context: Any, nplc: str) -> None:
        if not 0.02 <= float(nplc) <= 100:
            raise ScpiException(ScpiError(-222, "Data out of range"))
        self.nplc = float(nplc)

    def set_scan(self, context: Any, *channels: str) -> None:
        listed = [int(text.strip("(@)")) for text in channels]
        if not set(listed) <= set(self.volts):
            raise ScpiException(ScpiError(-222, "Data out of range"))
        self.scan = sorted(listed)

    def fetch(self, context: Any) -> str:
        return ",".join(f"{self.volts[c] if self.volts[c] < 1.2 * self.range_v else 9.9e37:.9E}" for c in self.scan)

    async def late(self, context: Any) -> str:
        await asyncio.sleep(0.3)
        return "+1.00000000E+00"


@pytest.fixture
def peer() -> Iterator[Peer]:
    made = Peer()
    yield made
    made.close()


def resource(peer: Peer) -> str:
    return f"TCPIP::127.0.0.1::{peer.port}::SOCKET"


class TestTheMeterOnAPeer(MeterContract):
    @pytest.fixture
    def bench(self, peer: Peer, rail: Make, instrument: Make) -> Iterator[MeterBench]:
        clock = SystemClock()
        meter = ScpiMeter(
            link=PyvisaLink(resource(peer)),
            instrument=instrument(resource=resource(peer), relay_delay_s=0.0, nplc=0.1),
            channels=CHANNELS,
            rails=[rail("A", 1.2), rail("B", 0.85)],
            clock=clock,
        )
        yield MeterBench(
            meter=meter,
            clock=clock,
            set_v=lambda name, voltage_v: peer.volts.update({CHANNELS[name]: voltage_v}),
            tolerance_v=1e-8,
            overload_v=200.0,
        )
        meter.close()


@pytest.fixture
def talk(peer: Peer) -> Iterator[Conversation]:
    made = Conversation(link=PyvisaLink(resource(peer)), name="peer", timeout_s=1.0)
    assert made.identify(parse_identity).model == "PEER"
    yield made
    made.close()


def test_a_header_that_the_peer_does_not_know_stands_in_its_queue_with_the_command_that_caused_it(
    talk: Conversation,
) -> None:
    with pytest.raises(
        InstrumentError, match=r"peer refuses 'SENS:CURR:DC:RANG 1': -110,\"Command header error\".*see"
    ):
        talk.order("SENS:CURR:DC:RANG 1", "see its manual")
    assert talk.errors() == ()


def test_a_number_out_of_range_is_refused_by_the_peer_and_named(talk: Conversation) -> None:
    (entry,) = talk.attempt("SENS:VOLT:DC:NPLC 5000")
    assert entry.code == -222
    assert talk.query("SENS:VOLT:DC:NPLC?", number) == 1.0


@pytest.mark.parametrize("header", ["SENS:VOLT:DC:NPLC?", "sense:voltage:dc:nplcycles?", ":SENS:VOLT:DC:NPLC?"])
def test_short_long_and_rooted_headers_reach_the_same_command(talk: Conversation, header: str) -> None:
    assert talk.query(header, number) == 1.0


def test_two_questions_in_one_message_have_one_answer_line(talk: Conversation) -> None:
    halves = talk.query("SENS:VOLT:DC:NPLC?;RANG?", lambda answer: [number(half) for half in answer.split(";")])
    assert halves == [1.0, 10.0]


def test_silence_then_a_late_answer_and_the_next_question_still_gets_its_own(talk: Conversation) -> None:
    with pytest.raises(InstrumentError, match=r"did not answer 'TEST:LATE\?' within 0.05 s"):
        talk.query("TEST:LATE?", number, timeout_s=0.05)
    assert talk.query("SENS:VOLT:DC:RANG?", number) == 10.0


def test_a_peer_that_goes_away_is_told_as_a_link_that_is_gone(peer: Peer, talk: Conversation) -> None:
    assert peer._server is not None
    peer._loop.call_soon_threadsafe(peer._server.stop)
    peer._thread.join(5.0)

    def asked_twice() -> None:  # the first write may still go into the buffer of a socket closed at the other end
        talk.query("*OPC?", number)
        talk.query("*OPC?", number)

    with pytest.raises(InstrumentError, match="the link is gone at"):
        asked_twice()
