"""A device that is told page and command in one message: PAGE_PLUS_READ and PAGE_PLUS_WRITE; no hidden state is left.

PAGE_PLUS_READ is a block write-block read process call: page and command out, the register's bytes back.
PAGE_PLUS_WRITE is a block write: page, command, data. Source: QEMU ``include/hw/i2c/pmbus_device.h`` for the codes, a
public header of PMBus codes for the shapes; not all parts have them, so a profile must say so.
"""

from collections.abc import Sequence

from cornerrun.bench.pmbus.commands import COMMANDS, Command, Kind
from cornerrun.bench.pmbus.paging import PagedDevice

__all__ = ["PagePlusDevice"]

_READ = COMMANDS["PAGE_PLUS_READ"]
_WRITE = COMMANDS["PAGE_PLUS_WRITE"]
_STATUS_WORD = COMMANDS["STATUS_WORD"]
_READ_VOUT = COMMANDS["READ_VOUT"]


class PagePlusDevice(PagedDevice):
    """Read and write registers, each with its page in the same message; PAGE itself is never touched.

    What does not depend on PAGE travels as with any other device, and so does PAGE on the way back.
    """

    def _status_and_voltage(self, page: int) -> tuple[int, int]:
        return self._ask(page, _STATUS_WORD), self._ask(page, _READ_VOUT)

    def _read(self, page: int | None, commands: Sequence[Command]) -> list[int]:
        if page is None:
            return super()._read(None, commands)
        return [
            self._ask(page, command) if command.is_paged else super(PagePlusDevice, self)._read(None, (command,))[0]
            for command in commands
        ]

    def _read_block(self, page: int | None, command: Command) -> bytes:
        del page
        # Registers that are blocks belong to the whole device.
        return super()._read_block(None, command)

    def _select(self, page: int | None) -> None:
        """Do nothing: the message itself names its page."""

    def set_page(self, page: int) -> None:
        super()._select(page)

    def _send(self, page: int | None, command: Command, data: bytes) -> None:
        if page is None or not command.is_paged:
            super()._send(page, command, data)
            return
        self._link.write_block_data(self.address, _WRITE.code, [page, command.code, *data])
        self._wait(max(self._delays.write_s, self._delays.access_s))

    def _ask(self, page: int, command: Command) -> int:
        length = 1 if command.kind is Kind.BYTE else 2
        return int.from_bytes(self._call(_READ, (page, command.code), length), "little")
