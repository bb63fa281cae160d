"""A simulated bench behind loopback TCP: each bus, each instrument and the board's console on a port of its own."""

import errno
import socket
import socketserver
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from cornerrun.bench.pmbus.frames import GREETING, REQUEST_HEAD_LENGTH, encode_reply, group_writes, request_head
from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.board_console import BoardConsole
from cornerrun.bench.simulated.bus import SimulatedBus, SimulatedLink
from cornerrun.bench.simulated.wire import wire_bits
from cornerrun.bench.simulated.yielding import YieldingClock
from cornerrun.clock import Clock
from cornerrun.errors import BenchError

__all__ = ["SimulationServer"]

_LOOPBACK = "127.0.0.1"
_LONGEST_LINE = 1 << 16
_ANSWER_TIMEOUT_S = 3600.0  # the meter itself says when it is done; the client decides how long it waits
_CONSOLE_POLL_S = 0.02  # chosen: a person at a terminal does not notice
_MOST_LINES = 200
_Serve = Callable[[socket.socket], None]


class SimulationServer:
    """Serves a bench until it is closed; clients may come, go, and die in the middle of a message.

    ``addresses`` tells where each bus, by its name, and the meter, ``None``, can be reached; ``others`` where "supply",
    "electronic_load", "chamber" and "console" can, if the bench has them. Several clients at once see one and the same
    bench, as several masters on a bus would. It binds to loopback only: whoever reaches a bus
    may write to it.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        *,
        clock_hz: Mapping[str, float] | None = None,
        port_base: int | None = None,
        seed: int | None = None,
        serial: str | None = None,
    ) -> None:
        self._lock = threading.Lock()
        self._clock = YieldingClock(clock, self._lock)
        self.bench = SimulatedBench.load(path, self._clock, seed=seed, serial=serial)
        self._listeners: list[_Listener] = []
        self.addresses: dict[str | None, tuple[str, int]] = {}
        self.others: dict[str, tuple[str, int]] = {}
        rates = clock_hz or {}
        try:
            for name, bus in self.bench.buses.items():
                self.addresses[name] = self._listen(self._bus_service(bus, rates.get(name, 100e3)), port_base)
            meter = self.bench.meter()
            if meter is not None:
                self.addresses[None] = self._listen(self._text_service(meter), port_base)
            for name in self.bench.rack.names:
                self.others[name] = self._listen(self._text_service(self.bench.instrument(name)), port_base)
            console = self.bench.console()
            if console is not None:
                self.others["console"] = self._listen(self._console_service(console), port_base)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close every port and every connection."""
        for listener in self._listeners:
            listener.stop()
        self._listeners.clear()

    def _listen(self, serve: _Serve, port_base: int | None) -> tuple[str, int]:
        port = 0 if port_base is None else port_base + len(self._listeners)
        try:
            listener = _Listener((_LOOPBACK, port), serve)
        except (OSError, OverflowError) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise BenchError(
                f"port {port} of {_LOOPBACK} cannot be used: {reason}; choose another --port-base"
            ) from error
        self._listeners.append(listener)
        listener.start()
        return _LOOPBACK, int(listener.server_address[1])

    def _bus_service(self, bus: SimulatedBus, clock_hz: float) -> _Serve:
        groups = SimulatedLink(bus, clock_hz=clock_hz)  # without PEC: the client's own comes with each write

        def serve(connection: socket.socket) -> None:
            connection.sendall(GREETING)
            while (head := _received(connection, REQUEST_HEAD_LENGTH)) is not None:
                request = request_head(head)
                written = _received(connection, request.written_length) if request.is_valid else None
                if written is None:
                    return  # out of step, or dead in the middle of a message: nothing reached the bus
                if request.is_group:
                    try:
                        writes = group_writes(written, request.read_count)
                    except ValueError:
                        return
                    connection.sendall(encode_reply(self._group(groups, writes), b""))
                    continue
                bits = wire_bits(len(written), request.read_count + (1 if request.is_block else 0))
                number, answer = 0, b""
                with self._lock:
                    # A device acts at the end of a message.
                    self._clock.charge(bits / clock_hz)
                    try:
                        answer = bus.exchange(request.address, written, request.read_count, request.is_block)
                    except OSError as error:
                        number = error.errno or errno.EIO
                    if request.is_block and answer:
                        self._clock.charge(9 * answer[0] / clock_hz)
                connection.sendall(encode_reply(number, answer))

        return serve

    def _group(self, link: SimulatedLink, writes: Sequence[tuple[int, bytes]]) -> int:
        with self._lock:
            try:
                link.group_write(writes)
            except OSError as error:
                return error.errno or errno.EIO
        return 0

    def _text_service(self, meter: TextLink) -> _Serve:
        def serve(connection: socket.socket) -> None:
            with self._lock:
                meter.clear()
            lines = _Lines(connection)
            while (line := lines.next()) is not None:
                answer = None
                with self._lock:
                    meter.write(line)
                    if getattr(meter, "has_answer", True):
                        with suppress(TimeoutError):
                            answer = meter.read(_ANSWER_TIMEOUT_S)
                if answer is not None:
                    connection.sendall(answer.encode("latin-1", "replace") + b"\n")

        return serve

    def _console_service(self, console: BoardConsole) -> _Serve:
        def serve(connection: socket.socket) -> None:
            lines = _Lines(connection)
            # Lines come by themselves, too: whoever listens gets them without asking.
            connection.settimeout(_CONSOLE_POLL_S)
            while True:
                try:
                    line = lines.next()
                except TimeoutError:
                    line = ""
                if line is None:
                    return
                with self._lock:
                    if line:
                        console.write(line)
                    said = [console.read(0.0) for _ in range(_MOST_LINES) if console.has_answer]
                for text in said:
                    connection.sendall(text.encode("latin-1", "replace") + b"\n")

        return serve


class _Listener(socketserver.ThreadingTCPServer):
    """One port; a thread for itself and one for each connection."""

    daemon_threads = True
    allow_reuse_address = True
    block_on_close = False

    def __init__(self, address: tuple[str, int], serve: _Serve) -> None:
        self._serve = serve
        self._open: set[socket.socket] = set()
        self._open_lock = threading.Lock()
        super().__init__(address, socketserver.BaseRequestHandler)
        self._thread = threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True)

    def start(self) -> None:
        """Begin to accept connections."""
        self._thread.start()

    def stop(self) -> None:
        """Close the port and every connection."""
        if self._thread.is_alive():
            self.shutdown()
            self._thread.join()
        self.server_close()
        with self._open_lock:
            for connection in self._open:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def finish_request(self, request: object, client_address: object) -> None:
        del client_address
        assert isinstance(request, socket.socket)
        with self._open_lock:
            self._open.add(request)
        try:
            request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._serve(request)
        except OSError:
            return  # the client is gone; another may come
        finally:
            with self._open_lock:
                self._open.discard(request)


class _Lines:
    """Cuts what comes into lines; a line without end is cut off, and what follows it is another one."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._left = bytearray()

    def next(self) -> str | None:
        """Receive the next line; None once the client is gone."""
        while (end := self._left.find(b"\n")) < 0 and len(self._left) <= _LONGEST_LINE:
            part = self._connection.recv(4096)
            if not part:
                return None
            self._left += part
        end = len(self._left) if end < 0 else end
        line = bytes(self._left[:end]).rstrip(b"\r")
        del self._left[: end + 1]
        return line.decode("latin-1")


def _received(connection: socket.socket, length: int) -> bytes | None:
    """Receive exactly so many bytes; None if the client went away before."""
    parts = bytearray()
    while len(parts) < length:
        part = connection.recv(length - len(parts))
        if not part:
            return None
        parts += part
    return bytes(parts)
