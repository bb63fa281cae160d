"""An SMBus behind TCP: what `cornerrun simulate` serves, or a small server beside a real adapter."""

import errno
import os
import socket
import time
from collections.abc import Callable, Sequence

from cornerrun.bench.pmbus.formats import pec as checksum
from cornerrun.bench.pmbus.frames import GREETING, REPLY_HEAD_LENGTH, encode_group, encode_request, reply_head
from cornerrun.bench.pmbus.raw import RawLink
from cornerrun.errors import LinkError

__all__ = ["TcpLink"]

_TIMEOUT_S = 3.0  # chosen: a hundred times what SMBus lets the slowest message take
_SLICE_S = 0.2  # chosen: how long is waited in one go, so that whoever watches the waiting hears of it


class TcpLink(RawLink):
    """One message a transaction.

    A connection that broke, or whose answer came too late, is dropped: an answer can never be taken for that of
    another message. The next message connects anew. ``lease`` is told, while it waits, until when (on the monotonic
    clock) nothing more need be heard.

    Raises:
        LinkError: nobody listens there, or what answers is no SMBus server.

    """

    tells_of_waiting = True

    def __init__(
        self,
        host: str,
        port: int,
        *,
        pec: int = 0,
        timeout_s: float = _TIMEOUT_S,
        lease: Callable[[float], None] = lambda _: None,
    ) -> None:
        super().__init__(pec=pec)
        self._lease = lease
        self._host = host
        self._port = port
        self._timeout_s = timeout_s
        self._socket: socket.socket | None = None
        self._has_groups: bool | None = None  # not known until the server was asked for one
        try:
            self._socket = self._connected()
        except OSError as error:
            raise LinkError(
                f"tcp:{host}:{port}: no bus can be reached there ({error.strerror or error}); start what shall answer, "
                "for a simulated bench `cornerrun simulate BENCH`, and see that host and port are right",
                errno=error.errno,
            ) from error

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def group_write(self, writes: Sequence[tuple[int, bytes]]) -> None:
        """Send writes (what follows each address, without PEC) in one transmission with one STOP.

        Raises:
            OSError: as any message; EOPNOTSUPP where the server knows no group commands.

        """
        if self._has_groups is False:
            raise OSError(errno.EOPNOTSUPP, "the server of this bus knows no group commands")
        whole = [
            (address, data + bytes((checksum((address << 1, *data)),)) if self.pec else data)
            for address, data in writes
        ]
        try:
            self._exchange(encode_group(whole))
        except ConnectionError as error:
            if self._has_groups is None:  # how a server of before there were groups answers
                self._has_groups = False
                raise OSError(errno.EOPNOTSUPP, "the server of this bus knows no group commands") from error
            raise
        self._has_groups = True

    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        return self._exchange(encode_request(address, written, read_count, is_block))

    def _exchange(self, request: bytes) -> bytes:
        try:
            if self._socket is None:
                self._socket = self._connected()
            self._socket.sendall(request)
            deadline_s = time.monotonic() + self._timeout_s
            number, length = reply_head(self._received(self._socket, REPLY_HEAD_LENGTH, deadline_s))
            answer = self._received(self._socket, length, deadline_s)
        except TimeoutError as error:
            self.close()
            raise OSError(errno.ETIMEDOUT, "no answer came through TCP in time") from error
        except OSError:
            self.close()
            raise
        if number:
            raise OSError(number, os.strerror(number))
        return answer

    def _connected(self) -> socket.socket:
        deadline_s = time.monotonic() + self._timeout_s
        self._lease(deadline_s)
        connection = socket.create_connection((self._host, self._port), self._timeout_s)
        try:
            connection.settimeout(_SLICE_S)
            # Small messages back and forth: without this each waits for the acknowledge of the one before.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._received(connection, len(GREETING), deadline_s) != GREETING:
                raise OSError(errno.EPROTO, "what answers there is no SMBus server")
        except TimeoutError as error:
            connection.close()
            raise OSError(errno.EPROTO, "what listens there does not greet as an SMBus server does") from error
        except OSError:
            connection.close()
            raise
        return connection

    def _received(self, connection: socket.socket, length: int, deadline_s: float) -> bytes:
        """Receive exactly so many bytes."""
        parts = bytearray()
        while len(parts) < length:
            try:
                part = connection.recv(length - len(parts))
            except TimeoutError:
                now_s = time.monotonic()
                if now_s >= deadline_s:
                    raise
                self._lease(now_s)
                continue
            if not part:
                raise ConnectionResetError(errno.ECONNRESET, "the other end closed the connection")
            parts += part
        return bytes(parts)
