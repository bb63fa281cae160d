"""A simulated SMBus: managers by address, wire time, and errors on purpose."""

import errno
from collections.abc import Mapping, Sequence

from cornerrun.bench.pmbus.formats import pec
from cornerrun.bench.pmbus.raw import RawLink
from cornerrun.bench.simulated.bus_trouble import BusTrouble
from cornerrun.bench.simulated.errors_on_wire import WireErrors
from cornerrun.bench.simulated.manager import NotAcknowledged, SimulatedManager
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.wire import exchange, wire_bits
from cornerrun.clock import Clock

__all__ = ["ALERT_RESPONSE", "SimulatedBus", "SimulatedLink"]

ALERT_RESPONSE = 0x0C
"""The address from which a device that pulls the alert line answers (SMBus; 0001100b)."""


class SimulatedBus:
    """Carries messages as bytes; what a client brings and what in-process code calls end here alike.

    `is_alerting` is the state of the alert line, which every device may pull.
    """

    def __init__(
        self,
        name: str,
        managers: Mapping[int, SimulatedManager],
        clock: Clock,
        errors: WireErrors | None = None,
        trouble: BusTrouble | None = None,
    ) -> None:
        self.name = name
        self.managers = managers
        self.clock = clock
        self.errors = errors
        self.trouble = trouble

    @property
    def is_plain(self) -> bool:
        """Whether nothing ever goes wrong on this bus."""
        return self.errors is None and self.trouble is None

    @property
    def is_alerting(self) -> bool:
        """Whether any device pulls the alert line."""
        return any(manager.is_alerting for manager in self.managers.values())

    def exchange(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        """Carry out one message at the present time.

        Raises:
            OSError: ENXIO where no device acknowledged the address (Linux fault-codes), EREMOTEIO where one did not
                acknowledge a byte (as several adapter drivers do, from memory; the document leaves it open).

        """
        try:
            if address == ALERT_RESPONSE and not written:
                return self._alert_response(read_count)
            return self._exchange(address, written, read_count, is_block, self.clock.now_s())
        except NotAcknowledged as refusal:
            if refusal.is_address:
                raise OSError(errno.ENXIO, f"no acknowledge from address 0x{address:02X}") from refusal
            raise OSError(errno.EREMOTEIO, f"a byte was not acknowledged by address 0x{address:02X}") from refusal

    def group(self, writes: Sequence[tuple[int, bytes]], ends_s: Sequence[float]) -> None:
        """Carry out one transmission of several writes with one STOP, at which all devices act.

        ``ends_s`` is when each write's last byte is through. A device that knows no group commands acts right then.

        Raises:
            OSError: as `exchange`; what was acknowledged before acts nevertheless.

        """
        waiting: list[tuple[int, bytes]] = []
        try:
            for (address, written), end_s in zip(writes, ends_s, strict=True):
                manager = self.managers.get(address)
                if manager is None:
                    raise OSError(errno.ENXIO, f"no acknowledge from address 0x{address:02X}")
                if manager.abilities.has_group:
                    waiting.append((address, written))
                else:
                    self._write(address, written, end_s)
        finally:
            for address, written in waiting:
                self._write(address, written, ends_s[-1])

    def _write(self, address: int, written: bytes, at_s: float) -> None:
        try:
            self._exchange(address, written, 0, False, at_s)
        except NotAcknowledged as refusal:
            number = errno.ENXIO if refusal.is_address else errno.EREMOTEIO
            raise OSError(number, f"no acknowledge from address 0x{address:02X}") from refusal

    def _alert_response(self, read_count: int) -> bytes:
        """Answer for the device of the lowest address that pulls the alert line; it lets go of it (SMBus, from memory).

        Arbitration does that on a real bus: an address is sent high bit first, and a zero wins.
        """
        for address in sorted(self.managers):
            manager = self.managers[address]
            manager.catch_up(self.clock.now_s())
            if manager.is_alerting:
                manager.is_alerting = False
                answer = bytes((address << 1,))
                answer += bytes((pec((ALERT_RESPONSE << 1 | 1, *answer)),))
                return answer[:read_count]
        raise NotAcknowledged(is_address=True)

    def _exchange(self, address: int, written: bytes, read_count: int, is_block: bool, now_s: float) -> bytes:
        manager = self.managers.get(address)
        if self.trouble is not None:
            self.trouble.begin(manager, address, written)
            now_s = max(now_s, self.clock.now_s())
        errors = self.errors
        if manager is None:
            raise NotAcknowledged(is_address=True)
        if errors is None:
            return exchange(manager, written, read_count, is_block, now_s)
        errors.begin()
        written = errors.spoil(written)
        return errors.spoil(exchange(manager, written, read_count, is_block, now_s), is_reply=True)


class SimulatedLink(RawLink):
    """The bus as a master sees it, wire time charged to the clock of the bus.

    Word and byte reads and writes of PAGE, which are most of all traffic, skip the bytes as long as no errors are
    planted on the bus; everything else goes through `SimulatedBus.exchange`.
    """

    def __init__(self, bus: SimulatedBus, *, clock_hz: float, pec: int = 0) -> None:
        super().__init__(pec=pec)
        self._bus = bus
        self._clock = bus.clock
        # Devices that read in a way of their own take no short cut.
        self._managers = {address: manager for address, manager in bus.managers.items() if manager.is_plain}
        self._is_plain = bus.is_plain
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

    def group_write(self, writes: Sequence[tuple[int, bytes]]) -> None:
        """Send several writes with repeated STARTs and one STOP; each is what follows the address, without PEC.

        Bits on the wire: START or repeated START, address and bytes of each, one STOP (job of a group command: Part I).

        Raises:
            OSError: as any message; EINVAL where two writes go to one device, which a group command cannot have.

        """
        if len({address for address, _ in writes}) != len(writes):
            raise OSError(errno.EINVAL, "a group command has one write a device at most")
        start_s, bits, ends_s, sent = self._clock.now_s(), 0, [], []
        for address, message in writes:
            whole = message + bytes((pec((address << 1, *message)),)) if self.pec else message
            sent.append((address, whole))
            bits += 1 + 9 + 9 * len(whole)
            ends_s.append(start_s + bits * self._bit_s)
        self._clock.charge((bits + 1) * self._bit_s)
        if ends_s:
            ends_s[-1] = self._clock.now_s()
            self._bus.group(sent, ends_s)

    def close(self) -> None:
        return

    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        # What a device does, it does at the end of the message; a block's own length is known only then.
        self._clock.charge(wire_bits(len(written), read_count + (1 if is_block else 0)) * self._bit_s)
        answer = self._bus.exchange(address, written, read_count, is_block)
        if is_block and answer:
            self._clock.charge(9 * answer[0] * self._bit_s)
        return answer
