"""A text link through VISA: TCP sockets, VXI-11, HiSLIP, USB, GPIB and serial lines.

pyvisa-py, written in Python, needs no maker's library. Its behaviour where the comments say "tried" was seen with
pyvisa 1.16 and pyvisa-py 0.8.
"""

import errno
import os
import socket
from collections.abc import Mapping
from typing import Any

from cornerrun.bench.scpi.visa_advice import advice
from cornerrun.errors import InstrumentError

__all__ = ["PyvisaLink"]

_OPEN_TIMEOUT_MS = 5000  # chosen: a reachable instrument accepts at once; a person waits that long
_LONGEST_ANSWER = 1 << 20  # chosen, bytes: no answer of a meter is longer; an endless one must not eat the memory
_QUIET_MS = 50  # chosen: a link is clear once nothing has come for that long
_MOST_DRAINS = 64  # chosen


class PyvisaLink:
    """A link to a VISA resource such as ``TCPIP::192.168.1.5::5025::SOCKET`` or ``USB0::...::INSTR``.

    ``settings`` are those of the instrument in the bench file; read here are ``backend`` ("@py" unless given: "@ivi" is
    the maker's VISA library) and ``baud``, for serial lines.

    Raises:
        InstrumentError: there is no such resource, or what reaches it is not installed.

    """

    def __init__(self, resource: str, *, settings: Mapping[str, str] | None = None) -> None:
        import pyvisa

        given = settings or {}
        self._visa: Any = pyvisa
        self._resource: Any = None
        self._timeout_ms: int | None = None
        try:
            # The manager stays open: pyvisa has one a back end, and closing it closes every resource of the process.
            manager = pyvisa.ResourceManager(given.get("backend", "@py"))
            self._resource = manager.open_resource(resource, open_timeout=_OPEN_TIMEOUT_MS)
            self._set_up(given)
        except Exception as error:  # pyvisa-py raises bare Exception where a connection fails (tried)
            self.close()
            why = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
            raise InstrumentError(
                f"VISA resource {resource!r} cannot be opened: {why.rstrip('.')}; {advice(resource, str(error))}"
            ) from error

    def _set_up(self, settings: Mapping[str, str]) -> None:
        if not isinstance(self._resource, self._visa.resources.MessageBasedResource):
            raise ValueError("it exchanges no messages")
        self._resource.write_termination = "\n"
        self._resource.read_termination = "\n"
        # Bytes beyond ASCII are nonsense to be shown, not a decoding error.
        self._resource.encoding = "latin-1"
        connection = self._socket()
        if connection is not None:
            # pyvisa-py takes a refused connection for an open one (tried); the socket knows better.
            refused = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if refused:
                raise OSError(refused, os.strerror(refused))
            # A write, then a query: without this the second waits 40 ms for the delayed acknowledge of the first. Set
            # on the socket, since pyvisa-py knows VI_ATTR_TCPIP_NODELAY but refuses to set it (tried).
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if isinstance(self._resource, self._visa.resources.SerialInstrument) and "baud" in settings:
            self._resource.baud_rate = int(settings["baud"])

    def write(self, message: str, /) -> None:
        resource = self._opened()
        try:
            resource.write(message)
        except self._visa.errors.VisaIOError as error:
            raise self._translated(error) from error

    def read(self, timeout_s: float, /) -> str:
        resource = self._opened()
        self._set_timeout(max(1, round(timeout_s * 1000)))
        try:
            # Not `read`: that one goes on without bound where no terminator comes.
            answer: bytes = resource.read_bytes(_LONGEST_ANSWER, break_on_termchar=True)
        except self._visa.errors.VisaIOError as error:
            raise self._translated(error) from error
        return answer.decode("latin-1").rstrip("\r\n")

    def clear(self) -> None:
        resource = self._opened()
        # A raw socket knows no device clear, and pyvisa-py's goes on for as long as an instrument talks (tried).
        if not isinstance(resource, self._visa.resources.TCPIPSocket):
            try:
                resource.clear()
            except self._visa.errors.VisaIOError as error:
                if error.error_code != self._visa.constants.StatusCode.error_nonsupported_operation:
                    raise self._translated(error) from error
            return
        for _ in range(_MOST_DRAINS):
            try:
                self.read(_QUIET_MS / 1000)
            except TimeoutError:
                return

    def close(self) -> None:
        if self._resource is not None:
            self._resource.close()
        self._resource = None

    def _opened(self) -> Any:
        if self._resource is None:
            raise OSError(errno.EBADF, "the link is closed")
        return self._resource

    def _socket(self) -> socket.socket | None:
        """The socket behind a raw TCP resource of pyvisa-py; other back ends keep theirs to themselves."""
        sessions = getattr(self._resource.visalib, "sessions", {})
        connection = getattr(sessions.get(self._resource.session), "interface", None)
        return connection if isinstance(connection, socket.socket) else None

    def _is_hung_up(self) -> bool:
        """Whether the other end has closed: pyvisa-py reads that as silence until the time is up (tried)."""
        connection = self._socket()
        if connection is None:
            return False
        try:
            return connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
        except BlockingIOError:
            return False

    def _set_timeout(self, timeout_ms: int) -> None:
        if timeout_ms != self._timeout_ms:
            self._resource.timeout = timeout_ms
            self._timeout_ms = timeout_ms

    def _translated(self, error: Any) -> OSError:
        if error.error_code == self._visa.constants.StatusCode.error_timeout:
            if self._is_hung_up():
                return ConnectionResetError(errno.ECONNRESET, "the other end has closed the connection")
            return TimeoutError(errno.ETIMEDOUT, "no answer in time")
        return OSError(errno.EIO, str(error))
