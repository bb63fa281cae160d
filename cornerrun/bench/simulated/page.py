"""One page of a simulated power manager: its registers, and what they make of its output."""

from collections.abc import Callable, Mapping
from functools import partial

from cornerrun.bench.simulated.adc_warnings import AdcWarnings
from cornerrun.bench.simulated.comparators import FAULTS, WARNINGS
from cornerrun.bench.simulated.converter import Converter
from cornerrun.bench.simulated.drive import Drive
from cornerrun.bench.simulated.model import RailSettings
from cornerrun.bench.simulated.output import MovedOutput, Output
from cornerrun.bench.simulated.page_kind import PageKind, check_value
from cornerrun.bench.simulated.page_status import LATCHED, PageStatus
from cornerrun.bench.simulated.protection import Protection
from cornerrun.bench.simulated.registers import BY_CODE, Code, Shape
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.vout_words import RATIOS, VoutWords

__all__ = ["Page"]

_CONTINUOUS_RETRIES = 7
_SHUT_DOWN, _WHILE_PRESENT = 0b10, 0b11
_MOVES_OUTPUT = frozenset(
    {
        Code.OPERATION,
        Code.ON_OFF_CONFIG,
        Code.VOUT_COMMAND,
        Code.VOUT_TRIM,
        Code.VOUT_CAL_OFFSET,
        Code.VOUT_MAX,
        Code.VOUT_MIN,
        Code.VOUT_MARGIN_HIGH,
        Code.VOUT_MARGIN_LOW,
    }
)
_MOVES_LIMITS = frozenset(RATIOS - {Code.VOUT_MARGIN_HIGH, Code.VOUT_MARGIN_LOW})


class Page:
    """Holds the registers of one page and drives its output.

    ``words`` and ``octets`` are the registers by command code; ``live`` are those that are worked out when read.
    ``driven`` is what the page moves, None if it only watches ``output``: a rail that hardware makes follow another.
    ``on_fault`` are told of each fault: time, status register, bit. ``on_down`` are told of the time and whether the
    page shut down by its own decision (True) or let go of that (False); ``on_command_off`` that it was commanded off;
    ``on_switch`` of the time and whether the output is on, whatever the reason.
    """

    def __init__(
        self,
        *,
        rail: RailSettings,
        presets: Mapping[int, int],
        kind: PageKind,
        output: Output,
        driven: MovedOutput | None,
        converter: Converter,
        common: Mapping[int, int],
        timeline: Timeline,
        now_s: float,
    ) -> None:
        self.rail = rail
        self.words = {code: value for code, value in presets.items() if BY_CODE[code].shape is Shape.WORD}
        self.octets = {code: value for code, value in presets.items() if BY_CODE[code].shape is Shape.BYTE}
        self.live: dict[int, Callable[[float], int]] = {
            Code.READ_VOUT: converter.vout_word,
            Code.READ_IOUT: converter.iout_word,
            Code.READ_TEMPERATURE_1: converter.temperature_word,
        }
        self.on_fault: list[Callable[[float, int, int], None]] = []
        self.on_down: list[Callable[[float, bool], None]] = []
        self.on_command_off: list[Callable[[float], None]] = []
        self.on_switch: list[Callable[[float, bool], None]] = []
        self._kind = kind
        self._timeline = timeline
        self._retries = 0
        self._trips = 0
        self._bases = 0
        self._kept_off: set[str] = set()
        self._is_shut_down = False
        self._volts = VoutWords(kind.mode, self.words)
        self.status = PageStatus(self.octets, self.words, common)
        self.status.is_off = not self._is_commanded_on()
        self._protection = Protection(
            FAULTS if kind.warns_by_adc else (*FAULTS, *WARNINGS),
            output=output,
            words=self._volts,
            octets=self.octets,
            status=self.status,
            timeline=timeline,
            shut_down=self.shut_down,
            noted=self._note,
            errors=kind.comparator_errors,
            delay_unit_s=kind.delay_unit_s,
        )
        self._warnings: AdcWarnings | None = None
        if kind.warns_by_adc:
            self._warnings = AdcWarnings(
                protection=self._protection,
                output=output,
                converter=converter,
                words=self._volts,
                status=self.status,
                timeline=timeline,
            )
        self._drive: Drive | None = None
        if driven is not None:
            self._drive = Drive(
                rail=rail,
                volts=self._volts,
                words=self.words,
                octets=self.octets,
                status=self.status,
                output=driven,
                read_v=converter.reading_v,
                timeline=timeline,
            )
            self._drive.begin(now_s, is_on=not self.status.is_off)
        self._protection.begin(now_s)
        if self._warnings is not None:
            self._warnings.follow(now_s)
        self.status.publish()

    def check(self, code: int, value: int) -> None:
        """Raise InvalidData if a register does not take a value."""
        check_value(code, value, self._kind, self._volts)

    def write(self, code: int, value: int, at_s: float) -> None:
        """Take a checked value into a register, and act on it."""
        if code in LATCHED:
            self.status.drop(code, value)  # ones clear (Part II 10.2.4)
            self._reassert()
            return
        before = self.octets.get(code, 0)
        is_new_base = code == Code.VOUT_COMMAND and self._volts.is_relative
        if is_new_base:
            self._volts.hold(self._volts.volts(code))
        (self.words if BY_CODE[code].shape is Shape.WORD else self.octets)[code] = value
        if code == Code.OPERATION:
            self._operate(before, value, at_s)
        if code in _MOVES_OUTPUT:
            self._apply(at_s)
        if code in _MOVES_LIMITS or is_new_base:
            self._limits_changed(at_s)
        if is_new_base:
            self._bases += 1
            arrives_s = at_s if self._drive is None else self._drive.arrives_s(at_s)
            self._timeline.at(arrives_s, partial(self._arrive, self._bases))

    def clear_faults(self) -> None:
        """Clear the latched bits; what is still beyond a limit latches again, and nothing is turned on."""
        self.status.clear()
        self._reassert()

    def trip(self, at_s: float, code: int, bits: int) -> None:
        """Shut down for a cause that the comparators of the voltage do not see, and show it in a status register."""
        if not self.status.is_off:
            self.status.latch(code, bits)
            self._note(at_s, code, bits)
            self.shut_down(at_s, 0x80)

    def shut_down(self, at_s: float, response: int) -> None:
        """Turn the output off by the device's own decision; latched, or tried again as the response byte says."""
        self._is_shut_down = True
        self._trips += 1
        self._apply(at_s)
        for told in self.on_down:
            told(at_s, True)
        # "Off while present" ends with the cause, and a cause that is off can't be seen: it is tried again and again.
        allowed = _CONTINUOUS_RETRIES if response >> 6 == _WHILE_PRESENT else response >> 3 & 0x07
        if allowed == _CONTINUOUS_RETRIES or self._retries < allowed:
            self._retries += 1
            pause_s = self._kind.retry_s + (response & 0x07) * self._kind.delay_unit_s * (response >> 6 == _SHUT_DOWN)
            self._timeline.at(at_s + pause_s, partial(self._retry, self._trips))

    def keep_off(self, at_s: float, cause: str, *, is_kept: bool) -> None:
        """Turn the output off for a cause from outside the page, or let it go where no other cause is left."""
        before = len(self._kept_off)
        self._kept_off = self._kept_off | {cause} if is_kept else self._kept_off - {cause}
        if bool(before) is not bool(self._kept_off):
            self._apply(at_s)

    def reloaded(self, at_s: float) -> None:
        """Act on registers that were changed all at once, by RESTORE or a reset."""
        self._apply(at_s)
        self._limits_changed(at_s)

    def restarted(self, at_s: float) -> None:
        """Forget a shutdown, as a device does that was without supply."""
        self._release(at_s)
        self.status.clear()

    def _reassert(self) -> None:
        self._protection.reassert()
        if self._warnings is not None:
            self._warnings.reassert()

    def _limits_changed(self, at_s: float) -> None:
        self._protection.limits_changed(at_s)
        if self._warnings is not None:
            self._warnings.follow(at_s)

    def _arrive(self, base: int, at_s: float) -> None:
        if base == self._bases:
            self._volts.release()
            self._limits_changed(at_s)

    def _note(self, at_s: float, code: int, bits: int) -> None:
        for told in self.on_fault:
            told(at_s, code, bits)

    def _retry(self, trip: int, at_s: float) -> None:
        if self._is_shut_down and trip == self._trips:
            self._let_go(at_s)
            self._apply(at_s)

    def _release(self, at_s: float) -> None:
        self._retries = 0
        self._trips += 1
        self._let_go(at_s)

    def _let_go(self, at_s: float) -> None:
        if self._is_shut_down:
            self._is_shut_down = False
            for told in self.on_down:
                told(at_s, False)

    def _operate(self, before: int, value: int, at_s: float) -> None:
        is_on = bool(value & 0x80)
        if not is_on:
            self._release(at_s)  # commanding off releases a latched shutdown (Part II 10.7, from memory)
            for told in self.on_command_off:
                told(at_s)
        elif not before & 0x80:
            self.status.clear()  # commanding off, then on, clears (Part II 10.2.3, from memory)
        is_ignoring = bool(value & 0x30) and value & 0x0C == 0x04
        if is_ignoring != self._protection.is_ignoring:
            self._protection.is_ignoring = is_ignoring
            self._limits_changed(at_s)

    def _is_commanded_on(self) -> bool:
        config = self.octets[Code.ON_OFF_CONFIG]
        # Bit 4 clear: on whenever power is there. Bit 3: obeys OPERATION. Bit 2: obeys the CONTROL pin.
        if not config & 0x10:
            return True
        is_on = not config & 0x08 or bool(self.octets[Code.OPERATION] & 0x80)
        return is_on and (not config & 0x04 or self._kind.is_control_asserted)

    def _apply(self, at_s: float) -> None:
        is_on = self._is_commanded_on() and not self._is_shut_down and not self._kept_off
        was_on = not self.status.is_off
        if is_on != was_on:
            self.status.is_off = not is_on
            self.status.publish()
        if self._drive is not None:
            self._drive.aim(at_s, is_on=is_on, was_on=was_on)
        if is_on != was_on:
            self._protection.switched(at_s)
            for told in self.on_switch:
                told(at_s, is_on)
