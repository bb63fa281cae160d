import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import Any

import pytest

from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import HardLimits, Rail, Settle

IDENTITY = "MAKER,MODEL,1,2"
Answer = str | Callable[[], str]


class SimpleInstrument:
    """A text link that answers from a table; what it does not know goes into its error queue as -113.

    Keys are beginnings of messages; a value "" means that the command is taken and has no answer.
    """

    def __init__(self, table: Mapping[str, Answer]) -> None:
        self.table = {"*IDN?": IDENTITY, "*RST": "", "*CLS": "", "*OPC?": "1", **table}
        self.sent: list[str] = []
        self.errors: list[str] = []
        self.answers: list[str] = []
        self.is_closed = False

    def write(self, message: str, /) -> None:
        self.sent.append(message)
        if message == "SYST:ERR?":
            self.answers.append(self.errors.pop(0) if self.errors else '0,"No error"')
            return
        for beginning, answer in self.table.items():
            if message.startswith(beginning):
                text = answer if isinstance(answer, str) else answer()
                if text:
                    self.answers.append(text)
                return
        self.errors.append('-113,"Undefined header"')

    def read(self, timeout_s: float, /) -> str:
        if not self.answers:
            raise TimeoutError
        return self.answers.pop(0)

    def clear(self) -> None:
        self.answers.clear()

    def close(self) -> None:
        self.is_closed = True


@contextmanager
def served(reply: Callable[[str], bytes | None]) -> Iterator[int]:
    """Serve ``reply(line)`` on a loopback port, one client after another; None hangs up."""
    server = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        with suppress(OSError):
            while True:
                client, _ = server.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                with client, client.makefile("rb") as lines, suppress(OSError):
                    for line in lines:
                        answer = reply(line.decode("ascii").rstrip("\r\n"))
                        if answer is None:
                            break
                        client.sendall(answer)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield server.getsockname()[1]
    finally:
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        thread.join(timeout=5)


def make_rail(name: str, nominal_v: float, *, most_v: float | None = None) -> Rail:
    return Rail(
        name=name,
        nominal_v=nominal_v,
        levels={"nominal": nominal_v},
        hard_limits=HardLimits(min_v=0.9 * nominal_v, max_v=most_v or 1.08 * nominal_v),
        accuracy_ratio=0.005,
        settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0),
    )


def make_instrument(**fields: Any) -> Instrument:
    return Instrument(**({"name": "meter", "driver": "scpi-meter", "resource": "scripted"} | fields))


@pytest.fixture
def rail() -> Callable[..., Rail]:
    return make_rail


@pytest.fixture
def instrument() -> Callable[..., Instrument]:
    return make_instrument


@pytest.fixture
def simple() -> type[SimpleInstrument]:
    return SimpleInstrument


@pytest.fixture
def serve() -> Callable[[Callable[[str], bytes | None]], AbstractContextManager[int]]:
    return served
