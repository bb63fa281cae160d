"""A simulated SMBus: managers by address, wire time, and errors on purpose."""

import errno
from collections.abc import Mapping

from cornerrun.bench.pmbus.raw import RawLink
from cornerrun.bench.simulated.errors_on_wire import WireErrors
from cornerrun.bench.simulated.manager import NotAcknowledged, SimulatedManager
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.wire import exchange, wire_bits
from cornerrun.clock import Clock

__all__ = ["SimulatedBus", "SimulatedLink"]


class SimulatedBus:
    """Carries messages as bytes; what a client brings and what in-process code calls end here alike."""

    def __init__(
        self, name: str, managers: Mapping[int, SimulatedManager], clock: Clock, errors: WireErrors | None = None
    ) -> None:
        self.name = name
        self.managers = managers
        self.clock = clock
        self.errors = errors

    def exchange(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        """Carry out one message at the present time.

        Raises:
            OSError: ENXIO where no device acknowledged the address (Linux fault-codes), EREMOTEIO where one did not
                acknowledge a byte (as several adapter drivers do, from memory; the document leaves it open).

        """
        manager = self.managers.get(address)
        errors = self.errors
        try:
            if manager is None:
                raise NotAcknowledged(is_address=True)
            if errors is None:
                return exchange(manager, written, read_count, is_block, self.clock.now_s())
            errors.begin()
            written = errors.spoil(written)
            return errors.spoil(exchange(manager, written, read_count, is_block, self.clock.now_s()), is_reply=True)
        except NotAcknowledged as refusal:
            if refusal.is_address:
                raise OSError(errno.ENXIO, f"no acknowledge from address 0x{address:02X}") from refusal
            raise OSError(errno.EREMOTEIO, f"a byte was not acknowledged by address 0x{address:02X}") from refusal


class SimulatedLink(RawLink):
    """The bus as a master sees it, wire time charged to the clock of the bus.

    Word and byte reads and writes of PAGE, which are most of all traffic, skip the bytes as long as no errors are
    planted on the bus; everything else goes through `SimulatedBus.exchange`.
    """

    def __init__(self, bus: SimulatedBus, *, clock_hz: float, pec: int = 0) -> None:
        super().__init__(pec=pec)
        self._bus = bus
        self._clock = bus.clock
        self._managers = bus.managers
        self._is_plain = bus.errors is None
        self._bit_s = 1.0 / clock_hz
        # Indexed by whether PEC is on: one byte more.
        self._read_byte_s = tuple(wire_bits(1, 1 + extra) / clock_hz for extra in (0, 1))
        self._read_word_s = tuple(wire_bits(1, 2 + extra) / clock_hz for extra in (0, 1))
        self._write_byte_s = tuple(wire_bits(2 + extra, 0) / clock_hz for extra in (0, 1))

    def read_word_data(self, address: int, command: int, /) -> int:
        manager = self._managers.get(address)
        if manager is not None and self._is_plain and (manager.takes_pec or not self.pec):
            clock = self._clock
            seconds = self._read_word_s[1 if self.pec else 0]
            word = manager.quick_word(command, clock.now_s() + seconds)
            if word is not None:
                clock.charge(seconds)
                return word
        return super().read_word_data(address, command)

    def read_byte_data(self, address: int, command: int, /) -> int:
        manager = self._managers.get(address)
        if manager is not None and self._is_plain and (manager.takes_pec or not self.pec):
            clock = self._clock
            seconds = self._read_byte_s[1 if self.pec else 0]
            octet = manager.quick_byte(command, clock.now_s() + seconds)
            if octet is not None:
                clock.charge(seconds)
                return octet
        return super().read_byte_data(address, command)

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        manager = self._managers.get(address)
        is_welcome = manager is not None and (manager.takes_pec if self.pec else not manager.wants_pec)
        if command == Code.PAGE and manager is not None and is_welcome and self._is_plain:
            clock = self._clock
            seconds = self._write_byte_s[1 if self.pec else 0]
            if manager.quick_page(byte, clock.now_s() + seconds):
                clock.charge(seconds)
                return
        super().write_byte_data(address, command, byte)

    def close(self) -> None:
        return

    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        # What a device does, it does at the end of the message; a block's own length is known only then.
        self._clock.charge(wire_bits(len(written), read_count + (1 if is_block else 0)) * self._bit_s)
        answer = self._bus.exchange(address, written, read_count, is_block)
        if is_block and answer:
            self._clock.charge(9 * answer[0] * self._bit_s)
        return answer
