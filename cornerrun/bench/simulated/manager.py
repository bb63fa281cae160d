"""A simulated PMBus power manager: what it answers to each command, page by page.

Commands come without framing and PEC; `cornerrun.bench.simulated.wire` puts those around.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Literal, NoReturn

from cornerrun.bench.simulated.abilities import Abilities, registers_of
from cornerrun.bench.simulated.fault_log import FaultLog
from cornerrun.bench.simulated.memory import Memory
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.page_kind import InvalidData
from cornerrun.bench.simulated.registers import Code, Register, Shape
from cornerrun.bench.simulated.stale import StalePage
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["CML_COMMAND", "CML_DATA", "CML_LENGTH", "CML_PEC", "NotAcknowledged", "SimulatedManager"]

# STATUS_CML: Linux drivers/hwmon/pmbus/pmbus.h.
CML_COMMAND = 0x80
CML_DATA = 0x40
CML_PEC = 0x20
CML_LENGTH = 0x02
_ALL_PAGES = 0xFF
# What each level of WRITE_PROTECT leaves writable: pmbus.h.
_WRITABLE = {
    0x80: frozenset({Code.WRITE_PROTECT}),
    0x40: frozenset({Code.WRITE_PROTECT, Code.OPERATION, Code.PAGE}),
    0x20: frozenset({Code.WRITE_PROTECT, Code.OPERATION, Code.PAGE, Code.ON_OFF_CONFIG, Code.VOUT_COMMAND}),
}
_STORES = (Code.STORE_DEFAULT_ALL, Code.STORE_USER_ALL)
_RESTORES = (Code.RESTORE_DEFAULT_ALL, Code.RESTORE_USER_ALL)


class NotAcknowledged(Exception):
    """Say that a device did not acknowledge a byte; ``is_address`` if it was its address."""

    def __init__(self, *, is_address: bool = False) -> None:
        self.is_address = is_address
        super().__init__()


class SimulatedManager:
    """Answers commands.

    ``common`` holds the bytes that all pages share, STATUS_CML among them. ``deaf_until_s`` is the time until which
    it does not even acknowledge its address: busy with its memory, or dead. ``stores`` counts writes to its memory.
    A device that does not `takes_pec` treats a code as one byte too many; one that `wants_pec` refuses a write without.
    While `spoils_pec` is set, the code of its next answer is wrong. `is_alerting` is its pull on the alert line.
    """

    def __init__(
        self,
        *,
        address: int,
        pages: Sequence[Page],
        common: dict[int, int],
        texts: Mapping[int, bytes],
        live: Mapping[int, Callable[[float], int]],
        timeline: Timeline,
        store_s: float,
        pec: Literal["optional", "required", "none"] = "optional",
        abilities: Abilities | None = None,
        fault_log: FaultLog | None = None,
        stale: StalePage | None = None,
    ) -> None:
        self.address = address
        self.takes_pec = pec != "none"
        self.wants_pec = pec == "required"
        self.spoils_pec = False
        self.is_alerting = False
        self.abilities = abilities or Abilities()
        self.pages = tuple(pages)
        self.common = common
        self.stores = 0
        self.deaf_until_s = float("-inf")
        self._registers = registers_of(self.abilities)
        self._fault_log = fault_log
        self._stale = stale
        self._texts = texts
        self._live = live
        self._timeline = timeline
        self._store_s = store_s
        self._memory = Memory(common, self.pages)
        self._page = self.pages[0]
        self._selected: tuple[Page, ...] = (self._page,)
        self._select(common[Code.PAGE])
        for page in self.pages:
            page.status.alert = self._alert

    @property
    def is_plain(self) -> bool:
        """Whether reads may take the short way past bytes and checks."""
        return not self.abilities.lacks and self._stale is None

    @property
    def page_now(self) -> int:
        """What PAGE holds."""
        return self.common[Code.PAGE]

    def shape(self, code: int) -> Shape | None:
        """Tell what follows a command byte; None if the device does not know the command."""
        register = self._registers.get(code)
        return None if register is None else register.shape

    def listen(self, now_s: float) -> None:
        """Begin a message: catch up with time, and acknowledge the address or not."""
        if now_s >= self._timeline.next_s:
            self._timeline.run_until(now_s)
        if now_s < self.deaf_until_s:
            raise NotAcknowledged(is_address=True)

    def catch_up(self, now_s: float) -> None:
        """Let happen what was due before a time."""
        if now_s >= self._timeline.next_s:
            self._timeline.run_until(now_s)

    def quick_word(self, code: int, now_s: float) -> int | None:
        """Read a word with as little work as possible; None if it takes the long way through `read`."""
        if now_s >= self._timeline.next_s:
            self._timeline.run_until(now_s)
        if now_s < self.deaf_until_s:
            return None
        live = self._page.live.get(code)
        return live(now_s) if live is not None else self._page.words.get(code)

    def quick_byte(self, code: int, now_s: float) -> int | None:
        """Read a byte with as little work as possible; None if it takes the long way through `read`."""
        if now_s >= self._timeline.next_s:
            self._timeline.run_until(now_s)
        if now_s < self.deaf_until_s:
            return None
        value = self.common.get(code)
        return value if value is not None else self._page.octets.get(code)

    def quick_page(self, value: int, now_s: float) -> bool:
        """Select a page with as little work as possible; False if it takes the long way through `write`."""
        if now_s >= self._timeline.next_s:
            self._timeline.run_until(now_s)
        if now_s < self.deaf_until_s or value >= len(self.pages) or self.common[Code.WRITE_PROTECT]:
            return False
        self.common[Code.PAGE] = value
        self._page = self.pages[value]
        self._selected = (self._page,)
        return True

    def read(self, code: int, now_s: float) -> bytes:
        """Read a register: its bytes as on the wire, for a block with the count first."""
        page = self._page if self._stale is None else self._stale.page(self._page, now_s)
        return self._read(page, code, now_s)

    def process(self, code: int, data: bytes, now_s: float) -> bytes:
        """Answer a block process call: QUERY, COEFFICIENTS or PAGE_PLUS_READ."""
        if code not in self._registers:
            self.refuse(CML_COMMAND)
        if code == Code.PAGE_PLUS_READ and len(data) == 2 and data[0] < len(self.pages):
            answer = self._read(self.pages[data[0]], data[1], now_s)
            return answer if self.shape(data[1]) is Shape.BLOCK else bytes((len(answer),)) + answer
        direct = self.abilities.direct
        if code == Code.COEFFICIENTS and len(data) == 2 and direct is not None:
            m, b = (number.to_bytes(2, "little", signed=True) for number in (direct.m, direct.b))
            return bytes((5,)) + m + b + direct.r.to_bytes(1, "little", signed=True)
        if code != Code.QUERY or len(data) != 1:
            self.refuse(CML_DATA)
        known = self._registers.get(data[0])
        return bytes((1, known.query_byte if known else 0))

    def write(self, code: int, data: bytes, now_s: float) -> None:
        """Write a register, or send a command where ``data`` is empty."""
        register = self._registers.get(code)
        if register is None or not register.is_writable:
            self.refuse(CML_COMMAND)
        if code == Code.PAGE_PLUS_WRITE:
            self._write_page_plus(data[1:], now_s)
            return
        self._check_protection(register)
        value = int.from_bytes(data, "little")
        if code == Code.PAGE:
            self._write_page(value, now_s)
        elif register.shape is Shape.SEND:
            self._send(code, self._selected, now_s)
        elif register.is_paged:
            self._write_paged(self._selected, code, value, now_s)
        else:
            self._write_common(code, value)

    def refuse(self, cml: int) -> NoReturn:
        """Note a communication fault, and do not acknowledge; never returns."""
        self.note(cml)
        raise NotAcknowledged

    def note(self, cml: int) -> None:
        """Set bits of STATUS_CML."""
        self._latch(Code.STATUS_CML, cml)

    def show_input(self, bits: int) -> None:
        """Set bits of STATUS_INPUT."""
        self._latch(Code.STATUS_INPUT, bits)

    def turn_page(self, page: int) -> None:
        """Have PAGE changed by something that is not the master of the product."""
        self._select(page)

    def reset(self, now_s: float) -> None:
        """Lose what was not stored: every register goes back to the memory, and PAGE to 0."""
        self._memory.recall(now_s)
        self._select(0)

    def restart(self, now_s: float) -> None:
        """Start as after a power-up: registers from memory, nothing latched, no page shut down."""
        self.is_alerting = False
        self.common[Code.STATUS_CML] = self.common[Code.STATUS_INPUT] = 0
        if self._fault_log is not None:
            self._fault_log.restart(now_s)
        for page in self.pages:
            page.restarted(now_s)
        self.reset(now_s)
        self._publish()

    def _check_protection(self, register: Register) -> None:
        writable = _WRITABLE.get(self.common[Code.WRITE_PROTECT])
        if writable is not None and register.code not in writable | self.abilities.always_writable:
            self.refuse(CML_COMMAND)

    def _read(self, page: Page, code: int, now_s: float) -> bytes:
        register = self._registers.get(code)
        if register is None and self.abilities.answers_ones:
            return b""  # nobody drives the data line: it reads as ones
        if register is None or not register.is_readable or register.shape is Shape.PROCESS:
            self.refuse(CML_COMMAND)
        if register.shape is Shape.BLOCK:
            text = self._texts[code] if self._fault_log is None or code in self._texts else self._fault_log.block()
            return bytes((len(text),)) + text
        if register.shape is Shape.BYTE:
            value = self.common.get(code)
            return bytes((page.octets[code] if value is None else value,))
        live = self._live.get(code) or page.live.get(code)
        return (live(now_s) if live is not None else page.words[code]).to_bytes(2, "little")

    def _write_page_plus(self, data: bytes, now_s: float) -> None:
        if len(data) < 2 or data[0] >= len(self.pages):
            self.refuse(CML_DATA)
        register = self._registers.get(data[1])
        if register is None or not register.is_writable or not register.is_paged:
            self.refuse(CML_COMMAND)
        self._check_protection(register)
        if len(data) - 2 != {Shape.SEND: 0, Shape.BYTE: 1, Shape.WORD: 2}[register.shape]:
            self.refuse(CML_DATA)
        page = (self.pages[data[0]],)
        if register.shape is Shape.SEND:
            self._send(data[1], page, now_s)
        else:
            self._write_paged(page, data[1], int.from_bytes(data[2:], "little"), now_s)

    def _write_page(self, value: int, now_s: float) -> None:
        if value != _ALL_PAGES and value >= len(self.pages):
            self.refuse(CML_DATA)
        if self._stale is not None:
            self._stale.turned(self._page, now_s)
        self._select(value)

    def _select(self, value: int) -> None:
        self.common[Code.PAGE] = value
        # A read under PAGE 0xFF is undefined; one emulator answers with page 0 (QEMU hw/i2c/pmbus_device.c).
        self._page = self.pages[0 if value == _ALL_PAGES else value]
        self._selected = self.pages if value == _ALL_PAGES else (self._page,)

    def _write_paged(self, pages: Sequence[Page], code: int, value: int, now_s: float) -> None:
        try:
            for page in pages:
                page.check(code, value)
        except InvalidData:
            self.refuse(CML_DATA)
        for page in pages:
            page.write(code, value, now_s)

    def _write_common(self, code: int, value: int) -> None:
        if code == Code.WRITE_PROTECT and value and value not in _WRITABLE:
            self.refuse(CML_DATA)
        if code in (Code.STATUS_CML, Code.STATUS_INPUT):
            self.common[code] &= ~value  # ones clear
            self._publish()
        else:
            self.common[code] = value

    def _send(self, code: int, pages: Sequence[Page], now_s: float) -> None:
        if code == Code.CLEAR_FAULTS:
            self.is_alerting = False
            self.common[Code.STATUS_CML] = self.common[Code.STATUS_INPUT] = 0
            if self._fault_log is not None:
                self._fault_log.faults_cleared()
            for page in pages:
                page.clear_faults()
            self._publish()
        elif code in _STORES:
            self.stores += 1
            self._memory.store()
            self.deaf_until_s = now_s + self._store_s
        elif code in _RESTORES:
            self._memory.recall(now_s)
            self.deaf_until_s = now_s + self._store_s

    def _latch(self, code: int, bits: int) -> None:
        is_new = bits & ~self.common[code]
        self.common[code] |= bits
        self._publish()
        if is_new:
            self._alert()

    def _alert(self) -> None:
        self.is_alerting = self.abilities.has_alert

    def _publish(self) -> None:
        for page in self.pages:
            page.status.publish()
