"""One device behind its PAGE register: hidden state that is written, verified, and forgotten after any error.

A second master, or a reset of the device, may change PAGE between any two messages. What is read counts only if PAGE
still reads right afterwards; what is written goes to a page that was verified just before, and is read back from it.
One gap stays, and can't be closed by plain messages: PAGE changing between that verification and the write itself.
The read-back then finds that the write went astray, and says so. A second master that changes PAGE and puts it back
within one group of messages can't be seen at all.
"""

from collections.abc import Sequence
from typing import TypeVar

from cornerrun.bench.pmbus.commands import ALL_PAGES, COMMANDS, PAGE, Command, Kind
from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.pmbus.errnos import PASSING
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.clock import Clock
from cornerrun.errors import LinkError, ReadbackMismatch

__all__ = ["PagedDevice"]

T = TypeVar("T")

_STATUS_WORD = COMMANDS["STATUS_WORD"].code
_READ_VOUT = COMMANDS["READ_VOUT"].code
_PAGE_LOST = "page lost"
_PAUSE_S = 0.002  # chosen: longer than a message at 100 kHz, so that a busy device gets a chance


class PagedDevice:
    """Read and write registers of one device, each on its page.

    ``page`` None is for commands that do not depend on PAGE; a device without PAGE takes any page as its only one.
    """

    def __init__(
        self, *, name: str, address: int, link: CountedLink, clock: Clock, has_page: bool = True, delays: Delays
    ) -> None:
        self.name = name
        self.address = address
        self._link = link
        self._clock = clock
        self._has_page = has_page
        self._delays = delays
        self._page: int | None = None
        self._is_verified = False
        waits = delays.access_s > 0
        self._read_byte = self._patient_byte if waits else link.read_byte_data
        self._read_word = self._patient_word if waits else link.read_word_data

    def forget(self) -> None:
        """Take nothing for granted: PAGE is written again before the next paged message."""
        self._page = None
        self._is_verified = False

    def status_and_voltage(self, page: int) -> tuple[int, int]:
        """Read STATUS_WORD and READ_VOUT of a page: what a watched rail needs, in the fewest messages."""
        try:
            return self._status_and_voltage(page)
        except LinkError as error:
            self.forget()
            return self._link.repeat(lambda: self._status_and_voltage(page), pause=self._pause, after=error)

    def read(self, page: int | None, commands: Sequence[Command]) -> list[int]:
        """Read bytes and words of one page; all of them again if PAGE changed or a message failed meanwhile."""
        try:
            return self._read(page, commands)
        except LinkError as error:
            self.forget()
            return self._link.repeat(lambda: self._read(page, commands), pause=self._pause, after=error)

    def read_block(self, page: int | None, command: Command) -> bytes:
        """Read a block."""
        try:
            return self._read_block(page, command)
        except LinkError as error:
            self.forget()
            return self._link.repeat(lambda: self._read_block(page, command), pause=self._pause, after=error)

    def read_data(self, page: int | None, command: Command) -> bytes:
        """Read a register as its bytes on the wire, whatever its kind."""
        if command.kind is Kind.BLOCK:
            return self.read_block(page, command)
        (number,) = self.read(page, (command,))
        return number.to_bytes(2 if command.is_word else 1, "little")

    def call(self, command: Command, question: Sequence[int], *, length: int) -> bytes:
        """Ask by a block process call that changes nothing; LinkError if the answer has another length."""
        try:
            return self._call(command, question, length)
        except LinkError as error:
            return self._link.repeat(lambda: self._call(command, question, length), pause=self._pause, after=error)

    def write(self, page: int | None, command: Command, data: bytes, *, is_change: bool = True) -> None:
        """Write a register and read it back from the same page.

        ``is_change`` says that the register is known to hold something else: reading the new word back then proves that
        the write arrived. Where it may have held the same before, and PAGE was lost meanwhile, another page may have
        got the write unseen.

        Raises:
            LinkError: the write was not acknowledged, and never is tried again here; PAGE is forgotten.
            ReadbackMismatch: the register does not hold what was written.

        """
        self._select(page)
        losses = self._losses()
        try:
            self._send(page, command, data)
        except LinkError:
            self.forget()
            raise
        found = self.read_data(page, command)
        is_stray = self._losses() > losses
        if found != data or (is_stray and not is_change):
            self.forget()
            where = "" if page is None else f", page {page}"
            hint = (
                "PAGE changed meanwhile: another master uses the bus, and the write may have reached another page"
                if is_stray
                else "the device does not take this value, or another master wrote after us"
            )
            raise ReadbackMismatch(
                f"{self.name}{where}: {command.name} reads back {_shown(found)} where {_shown(data)} was written; "
                f"{hint}"
            )

    def write_all(self, command: Command, data: bytes) -> None:
        """Write a register of every page at once (PAGE 0xFF); the caller reads back page by page."""
        self._select(ALL_PAGES)
        try:
            self._send(ALL_PAGES, command, data)
        finally:
            self.forget()

    def send(self, page: int | None, command: Command) -> None:
        """Send a command that carries no data, to a verified page."""
        self._select(page)
        try:
            self._send(page, command, b"")
        except LinkError:
            self.forget()
            raise

    def set_page(self, page: int) -> None:
        """Leave PAGE at a value, verified."""
        self._select(page)

    def _status_and_voltage(self, page: int) -> tuple[int, int]:
        address = self.address
        if self._has_page and page != self._page:
            self._turn(page)
        self._is_verified = False
        status_word = self._read_word(address, _STATUS_WORD)
        voltage_word = self._read_word(address, _READ_VOUT)
        if self._has_page:
            self._verify(page)
        return status_word, voltage_word

    def _read(self, page: int | None, commands: Sequence[Command]) -> list[int]:
        is_paged = page is not None and self._has_page
        if is_paged and page != self._page:
            self._turn(page)
        self._is_verified = False
        numbers = [
            self._read_word(self.address, command.code)
            if command.is_word
            else self._read_byte(self.address, command.code)
            for command in commands
        ]
        if is_paged:
            self._verify(page)
        return numbers

    def _read_block(self, page: int | None, command: Command) -> bytes:
        is_paged = page is not None and self._has_page
        if is_paged and page != self._page:
            self._turn(page)
        self._is_verified = False
        data = bytes(self._link.read_block_data(self.address, command.code))
        self._wait(self._delays.access_s)
        if is_paged:
            self._verify(page)
        return data

    def _call(self, command: Command, question: Sequence[int], length: int) -> bytes:
        answer = bytes(self._link.block_process_call(self.address, command.code, list(question)))
        self._wait(self._delays.access_s)
        if len(answer) != length:
            raise LinkError(
                f"{self.name} (0x{self.address:02X}): {command.name} answered {len(answer)} bytes; {length} are due",
                may_retry=True,
            )
        return answer

    def _select(self, page: int | None) -> None:
        """Make sure that PAGE was verified by the message before."""
        if page is None or not self._has_page or (self._is_verified and page == self._page):
            return
        try:
            self._turn_and_verify(page)
        except LinkError as error:
            self.forget()
            self._link.repeat(lambda: self._turn_and_verify(page), pause=self._pause, after=error)

    def _turn_and_verify(self, page: int) -> None:
        if page != self._page:
            self._turn(page)
        self._verify(page)

    def _turn(self, page: int | None) -> None:
        assert page is not None
        self.forget()
        try:
            self._link.write_byte_data(self.address, PAGE, page)
        except LinkError as error:
            # Writing PAGE changes no output, and a read is worth nothing without: it may be tried again with it.
            raise LinkError(str(error), errno=error.errno, may_retry=error.errno in PASSING) from error
        self._wait(max(self._delays.page_change_s, self._delays.write_s, self._delays.access_s))
        self._page = page

    def _verify(self, page: int | None) -> None:
        found = self._read_byte(self.address, PAGE)
        if found != page:
            self.forget()
            self._link.note(_PAGE_LOST)
            self._link.remarks.second_master(
                f"PAGE of {self.name} changed under us from 0x{page or 0:02X} to 0x{found:02X}"
            )
            raise LinkError(
                f"{self.name} (0x{self.address:02X}): PAGE reads 0x{found:02X} where 0x{page:02X} was written; another "
                "master uses the bus, the device was reset, or it has no such page",
                may_retry=True,
            )
        self._is_verified = True

    def _send(self, page: int | None, command: Command, data: bytes) -> None:
        del page  # it has been selected
        self._is_verified = False
        if command.kind is Kind.SEND_BYTE:
            self._link.write_byte(self.address, command.code)
        elif command.kind is Kind.BYTE:
            self._link.write_byte_data(self.address, command.code, data[0])
        elif command.kind is Kind.WORD:
            self._link.write_word_data(self.address, command.code, int.from_bytes(data, "little"))
        else:
            self._link.write_block_data(self.address, command.code, list(data))
        self._wait(max(self._delays.write_s, self._delays.access_s))

    def _losses(self) -> int:
        return self._link.noted(_PAGE_LOST)

    def _patient_byte(self, address: int, command: int) -> int:
        byte = self._link.read_byte_data(address, command)
        self._wait(self._delays.access_s)
        return byte

    def _patient_word(self, address: int, command: int) -> int:
        word = self._link.read_word_data(address, command)
        self._wait(self._delays.access_s)
        return word

    def _pause(self) -> None:
        self.forget()
        self._wait(_PAUSE_S)

    def _wait(self, delay_s: float) -> None:
        # Not interruptible: the delay is the device's need, whoever wants the run to end.
        if delay_s > 0:
            self._clock.sleep_until(self._clock.now_s() + delay_s, interruptible=False)


def _shown(data: bytes) -> str:
    return f"0x{data[::-1].hex().upper()}" if len(data) <= 2 else data.hex(" ")
