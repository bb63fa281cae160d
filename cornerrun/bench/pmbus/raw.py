"""SMBus transactions made of plain messages: bytes out, bytes in, PEC worked out here.

For links that carry raw messages only, where no adapter or kernel driver knows SMBus: a socket, a simulated bus.
"""

import errno
from abc import ABC, abstractmethod
from collections.abc import Sequence

from cornerrun.bench.pmbus.formats import pec as checksum

__all__ = ["RawLink"]

_LONGEST_BLOCK = 32  # SMBus 2.0; what the kernel's interface and smbus2 hold too


class RawLink(ABC):
    """Implements `Link` over one method; ``pec`` set to 1 adds a checksum to every message and wants one back."""

    def __init__(self, *, pec: int = 0) -> None:
        self.pec = pec

    @abstractmethod
    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        """Carry one message: write, then read ``read_count`` bytes, after a counted block if ``is_block``.

        Raises OSError with an errno of Linux' ``Documentation/i2c/fault-codes``.
        """

    @abstractmethod
    def close(self) -> None:
        """Give the bus back."""

    def write_byte(self, address: int, byte: int, /) -> None:
        self._write(address, bytes((byte,)))

    def read_byte(self, address: int, /) -> int:
        return self._read(address, b"", 1)[0]

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        self._write(address, bytes((command, byte)))

    def read_byte_data(self, address: int, command: int, /) -> int:
        return self._read(address, bytes((command,)), 1)[0]

    def write_word_data(self, address: int, command: int, word: int, /) -> None:
        self._write(address, bytes((command, word & 0xFF, word >> 8)))

    def read_word_data(self, address: int, command: int, /) -> int:
        return int.from_bytes(self._read(address, bytes((command,)), 2), "little")

    def write_block_data(self, address: int, command: int, data: Sequence[int], /) -> None:
        self._write(address, bytes((command, _counted(data), *data)))

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        return self._read_block(address, bytes((command,)))

    def block_process_call(self, address: int, command: int, data: Sequence[int], /) -> list[int]:
        return self._read_block(address, bytes((command, _counted(data), *data)))

    def _write(self, address: int, message: bytes) -> None:
        if self.pec:
            message += bytes((checksum((address << 1, *message)),))
        self._transfer(address, message, 0, False)

    def _read(self, address: int, message: bytes, count: int) -> bytes:
        if not self.pec:
            return self._whole(self._transfer(address, message, count, False), count)
        answer = self._whole(self._transfer(address, message, count + 1, False), count + 1)
        return self._checked(address, message, answer)

    def _read_block(self, address: int, message: bytes) -> list[int]:
        answer = self._transfer(address, message, 1 if self.pec else 0, True)
        if not answer or not 1 <= answer[0] <= _LONGEST_BLOCK:
            raise OSError(errno.EPROTO, "a block of an impossible length came back")
        answer = self._whole(answer, 1 + answer[0] + (1 if self.pec else 0))
        return list((self._checked(address, message, answer) if self.pec else answer)[1:])

    @staticmethod
    def _whole(answer: bytes, count: int) -> bytes:
        if len(answer) != count:
            raise OSError(errno.EPROTO, f"{len(answer)} bytes came back where {count} were due")
        return answer

    @staticmethod
    def _checked(address: int, message: bytes, answer: bytes) -> bytes:
        written = (address << 1, *message) if message else ()
        if checksum((*written, address << 1 | 1, *answer[:-1])) != answer[-1]:
            raise OSError(errno.EBADMSG, "the packet error code of an answer is wrong")
        return answer[:-1]


def _counted(data: Sequence[int]) -> int:
    if not 1 <= len(data) <= _LONGEST_BLOCK:
        raise OSError(errno.EINVAL, f"a block holds 1 to {_LONGEST_BLOCK} bytes, not {len(data)}")
    return len(data)
