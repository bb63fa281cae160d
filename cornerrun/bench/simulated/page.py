"""One page of a simulated power manager: its registers, and what they make of its output."""

from collections.abc import Callable, Mapping
from functools import partial

from cornerrun.bench.pmbus.formats import decode_linear11
from cornerrun.bench.simulated.converter import Converter
from cornerrun.bench.simulated.model import RailSettings
from cornerrun.bench.simulated.output import MovedOutput, Output
from cornerrun.bench.simulated.page_status import LATCHED, PageStatus
from cornerrun.bench.simulated.protection import Protection
from cornerrun.bench.simulated.rail import achieved_v
from cornerrun.bench.simulated.registers import BY_CODE, Code, Shape
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["InvalidData", "Page"]

_SOURCES = {0x00: Code.VOUT_COMMAND, 0x10: Code.VOUT_MARGIN_LOW, 0x20: Code.VOUT_MARGIN_HIGH}
_CONTINUOUS_RETRIES = 7
_MAX_MIN_WARNING = 0x08
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
_MOVES_LIMITS = frozenset(
    {
        Code.VOUT_OV_FAULT_LIMIT,
        Code.VOUT_OV_WARN_LIMIT,
        Code.VOUT_UV_WARN_LIMIT,
        Code.VOUT_UV_FAULT_LIMIT,
        Code.POWER_GOOD_ON,
        Code.POWER_GOOD_OFF,
    }
)


class InvalidData(Exception):
    """Say that a register does not take the data that came."""


class Page:
    """Holds the registers of one page and drives its output.

    ``words`` and ``octets`` are the registers by command code; ``live`` are those that are worked out when read.
    ``output`` is driven if it can be moved, else it is only watched: a rail that hardware makes follow another.
    """

    def __init__(
        self,
        *,
        rail: RailSettings,
        presets: Mapping[int, int],
        step_v: float,
        output: Output,
        converter: Converter,
        common: Mapping[int, int],
        timeline: Timeline,
        retry_s: float,
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
        self._step_v = step_v
        self._output = output if isinstance(output, MovedOutput) else None
        self._timeline = timeline
        self._retry_s = retry_s
        self._retries = 0
        self._trips = 0
        self._is_shut_down = False
        self.status = PageStatus(self.octets, self.words, common)
        self.status.is_off = not self._is_commanded_on()
        self._protection = Protection(
            output=output,
            words=self.words,
            octets=self.octets,
            step_v=step_v,
            status=self.status,
            timeline=timeline,
            shut_down=self.shut_down,
        )
        if self._output is not None:
            # At power-up the output stands where the registers put it.
            end_v = 0.0 if self.status.is_off else self._end_v()
            self._output.go(now_s, end_v, time_constant_s=0.0)
        self._protection.begin(now_s)
        self.status.publish()

    def check(self, code: int, value: int) -> None:
        """Raise InvalidData if a register does not take a value."""
        if code == Code.OPERATION:
            _check_operation(value)
        elif code in (Code.VOUT_OV_FAULT_RESPONSE, Code.VOUT_UV_FAULT_RESPONSE) and value >> 6 not in (0b00, 0b10):
            raise InvalidData  # this device knows "go on" and "shut down, then retry" (Part II 10.5, from memory)

    def write(self, code: int, value: int, at_s: float) -> None:
        """Take a checked value into a register, and act on it."""
        if code in LATCHED:
            self.status.drop(code, value)  # ones clear (Part II 10.2.4)
            self._protection.reassert()
            return
        before = self.octets.get(code, 0)
        (self.words if BY_CODE[code].shape is Shape.WORD else self.octets)[code] = value
        if code == Code.OPERATION:
            self._operate(before, value, at_s)
        if code in _MOVES_OUTPUT:
            self._apply(at_s)
        elif code in _MOVES_LIMITS:
            self._protection.limits_changed(at_s)

    def clear_faults(self) -> None:
        """Clear the latched bits; what is still beyond a limit latches again, and nothing is turned on."""
        self.status.clear()
        self._protection.reassert()

    def trip(self, at_s: float, code: int, bits: int) -> None:
        """Shut down for a cause that the comparators of the voltage do not see, and show it in a status register."""
        if not self.status.is_off:
            self.status.latch(code, bits)
            self.shut_down(at_s, 0x80)

    def shut_down(self, at_s: float, response: int) -> None:
        """Turn the output off by the device's own decision; latched, or tried again as the response byte says."""
        self._is_shut_down = True
        self._trips += 1
        self._apply(at_s)
        allowed = response >> 3 & 0x07
        if allowed == _CONTINUOUS_RETRIES or self._retries < allowed:
            self._retries += 1
            self._timeline.at(at_s + self._retry_s, partial(self._retry, self._trips))

    def reloaded(self, at_s: float) -> None:
        """Act on registers that were changed all at once, by RESTORE or a reset."""
        self._apply(at_s)
        self._protection.limits_changed(at_s)

    def _retry(self, trip: int, at_s: float) -> None:
        if self._is_shut_down and trip == self._trips:
            self._is_shut_down = False
            self._apply(at_s)

    def _operate(self, before: int, value: int, at_s: float) -> None:
        is_on = bool(value & 0x80)
        if not is_on:
            # Commanding off releases a latched shutdown (Part II 10.7, from memory).
            self._is_shut_down = False
            self._retries = 0
            self._trips += 1
        elif not before & 0x80:
            self.status.clear()  # commanding off, then on, clears (Part II 10.2.3, from memory)
        is_ignoring = bool(value & 0x30) and value & 0x0C == 0x04
        if is_ignoring != self._protection.is_ignoring:
            self._protection.is_ignoring = is_ignoring
            self._protection.limits_changed(at_s)

    def _is_commanded_on(self) -> bool:
        config = self.octets[Code.ON_OFF_CONFIG]
        # Bit 4 clear: on whenever power is there. Bit 3: obeys OPERATION. Bit 2, the CONTROL pin: asserted here.
        return not config & 0x10 or not config & 0x08 or bool(self.octets[Code.OPERATION] & 0x80)

    def _end_v(self) -> float:
        """Tell where the output belongs: the selected word, trims added, held between VOUT_MIN and VOUT_MAX."""
        selected = self.words[_SOURCES[self.octets[Code.OPERATION] & 0x30]]
        steps = selected + _signed(self.words[Code.VOUT_TRIM]) + _signed(self.words[Code.VOUT_CAL_OFFSET])
        held = max(min(steps, self.words[Code.VOUT_MAX]), self.words[Code.VOUT_MIN])
        if held != steps:
            self.status.latch(Code.STATUS_VOUT, _MAX_MIN_WARNING)
        trim = self.rail.trim
        return achieved_v(held * self._step_v, gain_error_ratio=trim.gain_error, offset_error_v=trim.offset_error)

    def _slew_v_per_s(self) -> float:
        rate_v_per_s = 1000.0 * decode_linear11(self.words[Code.VOUT_TRANSITION_RATE])
        return min(rate_v_per_s, self.rail.slew) if rate_v_per_s > 0.0 else self.rail.slew

    def _apply(self, at_s: float) -> None:
        is_on = self._is_commanded_on() and not self._is_shut_down
        was_on = not self.status.is_off
        if is_on != was_on:
            self.status.is_off = not is_on
            self.status.publish()
        if self._output is not None:
            self._drive(self._output, at_s, is_on, was_on)
        if is_on != was_on:
            self._protection.switched(at_s)

    def _drive(self, output: MovedOutput, at_s: float, is_on: bool, was_on: bool) -> None:
        if is_on:
            end_v = self._end_v()
            if end_v != output.end_v() or not was_on:
                output.go(at_s, end_v, time_constant_s=self.rail.time_constant, slew_v_per_s=self._slew_v_per_s())
        elif was_on:
            output.go(at_s, 0.0, time_constant_s=self.rail.discharge)


def _signed(word: int) -> int:
    return word - 0x10000 if word & 0x8000 else word


def _check_operation(value: int) -> None:
    """Refuse the codes that Part II 12.1 (from memory) leaves out: two on/off bits, AVS, a margin with no response."""
    margin, response = value & 0x30, value & 0x0C
    if value & 0xC0 == 0xC0 or value & 0x03 or margin not in _SOURCES or response == 0x0C:
        raise InvalidData
    if margin and not response:
        raise InvalidData
