"""The hole that every bus fits: the methods of `smbus2.SMBus` that the product uses.

smbus2 serves real hardware with no adapter in between; a simulated bus, a TCP link, a scripted exchange and other
people's emulators fit too. Parameters are positional-only, since the names that smbus2 gives them are its own.
"""

from collections.abc import Sequence
from typing import Protocol

__all__ = ["Link"]


class Link(Protocol):
    """An SMBus master. Errors are OSError with the errno of Linux' ``Documentation/i2c/fault-codes``."""

    pec: int

    def write_byte(self, address: int, byte: int, /) -> None:
        """SMBus Send Byte."""
        ...

    def read_byte(self, address: int, /) -> int:
        """SMBus Receive Byte."""
        ...

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        """SMBus Write Byte."""
        ...

    def read_byte_data(self, address: int, command: int, /) -> int:
        """SMBus Read Byte."""
        ...

    def write_word_data(self, address: int, command: int, word: int, /) -> None:
        """SMBus Write Word, low byte first."""
        ...

    def read_word_data(self, address: int, command: int, /) -> int:
        """SMBus Read Word, low byte first."""
        ...

    def write_block_data(self, address: int, command: int, data: Sequence[int], /) -> None:
        """SMBus Block Write; at most 32 bytes."""
        ...

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        """SMBus Block Read; at most 32 bytes."""
        ...

    def block_process_call(self, address: int, command: int, data: Sequence[int], /) -> list[int]:
        """SMBus Block Write-Block Read Process Call."""
        ...

    def close(self) -> None:
        """Give the bus back."""
        ...
