"""A text link through VISA: TCP sockets, VXI-11, HiSLIP, USB, GPIB and serial lines.

pyvisa-py, written in Python, needs no maker's library. Its behaviour where the comments say "tried" was seen with
pyvisa 1.16 and pyvisa-py 0.8.
"""

import errno
from collections.abc import Mapping
from typing import Any

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
        self._manager: Any = None
        try:
            self._manager = pyvisa.ResourceManager(given.get("backend", "@py"))
            self._resource = self._manager.open_resource(resource, open_timeout=_OPEN_TIMEOUT_MS)
            self._set_up(given)
        except Exception as error:  # pyvisa-py raises bare Exception where a connection fails (tried)
            self.close()
            why = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
            raise InstrumentError(
                f"VISA resource {resource!r} cannot be opened: {why}; see that it is written like "
                "'TCPIP::192.168.1.5::5025::SOCKET', 'TCPIP::192.168.1.5::INSTR', 'USB::...::INSTR', "
                "'GPIB::22::INSTR' or 'ASRL/dev/ttyUSB0::INSTR', and that the instrument is on and reachable"
            ) from error

    def _set_up(self, settings: Mapping[str, str]) -> None:
        if not isinstance(self._resource, self._visa.resources.MessageBasedResource):
            raise ValueError("it exchanges no messages")
        self._resource.write_termination = "\n"
        self._resource.read_termination = "\n"
        # Bytes beyond ASCII are nonsense to be shown, not a decoding error.
        self._resource.encoding = "latin-1"
        constants = self._visa.constants
        if isinstance(self._resource, self._visa.resources.TCPIPSocket):
            # A write, then a query: without this the second waits 40 ms for the delayed acknowledge of the first.
            self._resource.set_visa_attribute(constants.ResourceAttribute.tcpip_nodelay, True)
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
        for opened in (self._resource, self._manager):
            if opened is not None:
                opened.close()
        self._resource = self._manager = None

    def _opened(self) -> Any:
        if self._resource is None:
            raise OSError(errno.EBADF, "the link is closed")
        return self._resource

    def _set_timeout(self, timeout_ms: int) -> None:
        if timeout_ms != self._timeout_ms:
            self._resource.timeout = timeout_ms
            self._timeout_ms = timeout_ms

    def _translated(self, error: Any) -> OSError:
        if error.error_code == self._visa.constants.StatusCode.error_timeout:
            return TimeoutError(errno.ETIMEDOUT, "no answer in time")
        return OSError(errno.EIO, str(error))
