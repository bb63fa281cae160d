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

A PEC is made and checked by the master, never by what carries the message.
"""

import struct
from dataclasses import dataclass

__all__ = ["GREETING", "REPLY_HEAD_LENGTH", "REQUEST_HEAD_LENGTH", "Request", "encode_reply", "encode_request"]
__all__ += ["reply_head", "request_head"]

GREETING = b"cornerrun SMBus 1\n"

_REQUEST = struct.Struct("!BBHH")
_REPLY = struct.Struct("!HH")
REQUEST_HEAD_LENGTH = _REQUEST.size
REPLY_HEAD_LENGTH = _REPLY.size


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """The head of a request, and how many bytes follow it."""

    address: int
    is_block: bool
    read_count: int
    written_length: int

    @property
    def is_valid(self) -> bool:
        """Whether a bus could carry it; a master that sends anything else is out of step."""
        return self.address <= 0x7F and self.read_count <= 0x101 and self.written_length <= 0x102


def encode_request(address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
    """Write a request."""
    return _REQUEST.pack(address, int(is_block), read_count, len(written)) + written


def request_head(head: bytes) -> Request:
    """Read the head of a request."""
    address, mode, read_count, written_length = _REQUEST.unpack(head)
    return Request(address=address, is_block=mode == 1, read_count=read_count, written_length=written_length)


def encode_reply(number: int, read: bytes) -> bytes:
    """Write a reply: an errno, or 0 and what was read."""
    return _REPLY.pack(number, len(read)) + read


def reply_head(head: bytes) -> tuple[int, int]:
    """Read the head of a reply: an errno, and how many bytes follow."""
    number, length = _REPLY.unpack(head)
    return number, length
