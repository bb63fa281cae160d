"""How SMBus messages travel through TCP: one request, one reply, nothing else on the connection.

The server begins with the line ``cornerrun SMBus 1``. All numbers are big-endian::

    request   address     1 byte    seven bits
              mode        1 byte    0: read `count` bytes
                                    1: read a counted block (count byte, that many bytes), then `count` bytes more
              count       2 bytes   how many bytes to read; 0 with mode 0 is a write only
              length      2 bytes   how many bytes follow
              written     `length`  all that the master sends after the address: command, data, PEC if it uses one
    reply     errno       2 bytes   0, or a number of Linux' errno.h: 6 no acknowledge of the address, ...
              length      2 bytes   how many bytes follow
              read        `length`  all that the device sent, PEC included

A group command, several writes with one STOP, is a request to address 0xFF in mode 2: `count` tells how many writes
follow in `length` bytes, each as address (1 byte), length (2 bytes) and what is written. One reply comes for all of
them. A server that knows no groups takes the address for nonsense and closes the connection: nothing reached the bus.

A PEC is made and checked by the master, never by what carries the message.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["GREETING", "REPLY_HEAD_LENGTH", "REQUEST_HEAD_LENGTH", "Request", "encode_group", "encode_reply"]
__all__ += ["encode_request", "group_writes", "reply_head", "request_head"]

GREETING = b"cornerrun SMBus 1\n"

_REQUEST = struct.Struct("!BBHH")
_REPLY = struct.Struct("!HH")
_WRITE = struct.Struct("!BH")
_GROUP_ADDRESS, _GROUP_MODE = 0xFF, 2
REQUEST_HEAD_LENGTH = _REQUEST.size
REPLY_HEAD_LENGTH = _REPLY.size


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """The head of a request, and how many bytes follow it."""

    address: int
    is_block: bool
    read_count: int
    written_length: int
    is_group: bool = False

    @property
    def is_valid(self) -> bool:
        """Whether a bus could carry it; a master that sends anything else is out of step."""
        if self.is_group:
            return 1 <= self.read_count <= 0x80
        return self.address <= 0x7F and self.read_count <= 0x101 and self.written_length <= 0x102


def encode_request(address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
    """Write a request."""
    return _REQUEST.pack(address, int(is_block), read_count, len(written)) + written


def request_head(head: bytes) -> Request:
    """Read the head of a request."""
    address, mode, read_count, written_length = _REQUEST.unpack(head)
    return Request(
        address=address,
        is_block=mode == 1,
        read_count=read_count,
        written_length=written_length,
        is_group=(address, mode) == (_GROUP_ADDRESS, _GROUP_MODE),
    )


def encode_group(writes: Sequence[tuple[int, bytes]]) -> bytes:
    """Write the request of a group command: address and written bytes, PEC included, of each of its writes."""
    body = b"".join(_WRITE.pack(address, len(written)) + written for address, written in writes)
    return _REQUEST.pack(_GROUP_ADDRESS, _GROUP_MODE, len(writes), len(body)) + body


def group_writes(body: bytes, count: int) -> tuple[tuple[int, bytes], ...]:
    """Read the writes of a group command.

    Raises:
        ValueError: they are not ``count`` whole writes to addresses that a bus has.

    """
    writes, place = [], 0
    for _ in range(count):
        if len(body) < place + _WRITE.size:
            raise ValueError("a group command ends in the middle")
        address, length = _WRITE.unpack_from(body, place)
        place += _WRITE.size
        if address > 0x7F or len(body) < place + length:
            raise ValueError("a group command holds a write that no bus could carry")
        writes.append((address, body[place : place + length]))
        place += length
    if place != len(body):
        raise ValueError("a group command holds more than its writes")
    return tuple(writes)


def encode_reply(number: int, read: bytes) -> bytes:
    """Write a reply: an errno, or 0 and what was read."""
    return _REPLY.pack(number, len(read)) + read


def reply_head(head: bytes) -> tuple[int, int]:
    """Read the head of a reply: an errno, and how many bytes follow."""
    number, length = _REPLY.unpack(head)
    return number, length
