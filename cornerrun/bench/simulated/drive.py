"""What a page makes of its registers: where its output belongs, and how it gets there."""

import math
from collections.abc import Callable, Mapping

from cornerrun.bench.pmbus.formats import decode_linear11
from cornerrun.bench.simulated.model import RailSettings
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.page_status import PageStatus
from cornerrun.bench.simulated.rail import achieved_v, inl_v
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.ringing import Oscillator
from cornerrun.bench.simulated.servo import Servo
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.vout_words import VoutWords

__all__ = ["SOURCES", "Drive"]

SOURCES = {0x00: Code.VOUT_COMMAND, 0x10: Code.VOUT_MARGIN_LOW, 0x20: Code.VOUT_MARGIN_HIGH}
_MAX_MIN_WARNING = 0x08


class Drive:
    """Moves one output; ``read_v`` tells what the device's own ADC last found there, for a closed-loop trim."""

    def __init__(
        self,
        *,
        rail: RailSettings,
        volts: VoutWords,
        words: Mapping[int, int],
        octets: Mapping[int, int],
        status: PageStatus,
        output: MovedOutput,
        read_v: Callable[[float], float],
        timeline: Timeline,
    ) -> None:
        self._rail = rail
        self._volts = volts
        self._words = words
        self._octets = octets
        self._status = status
        self._output = output
        self._servo = (
            None if rail.servo is None else Servo(rail.servo, read_v=read_v, moved=self._trimmed, timeline=timeline)
        )
        self._resting_v = volts.volts(Code.VOUT_COMMAND)
        self._oscillator = (
            None
            if rail.ringing is None
            else Oscillator(omega_per_s=2.0 * math.pi * rail.ringing.natural_frequency, damping=rail.ringing.damping)
        )

    def begin(self, at_s: float, *, is_on: bool) -> None:
        """Put the output where the registers have it at power-up."""
        self._output.go(at_s, self._end_v() if is_on else 0.0, time_constant_s=0.0)
        if self._servo is not None:
            self._servo.switch(at_s, is_on=is_on)

    def aim(self, at_s: float, *, is_on: bool, was_on: bool) -> None:
        """Set out for where the registers have the output now."""
        if self._servo is not None:
            self._servo.switch(at_s, is_on=is_on)
        if is_on:
            end_v = self._end_v()
            if end_v != self._output.end_v() or not was_on:
                self._go(at_s, end_v)
        elif was_on:
            self._output.go(at_s, 0.0, time_constant_s=self._rail.discharge)

    def arrives_s(self, at_s: float) -> float:
        """Tell when the move under way is over, for all that counts."""
        return max((at_s, *self._output.landmarks(at_s)))

    def _trimmed(self, at_s: float) -> None:
        self._go(at_s, self._end_v())

    def _go(self, at_s: float, end_v: float) -> None:
        self._output.go(
            at_s,
            end_v,
            time_constant_s=self._rail.time_constant,
            slew_v_per_s=self._slew_v_per_s(),
            oscillator=self._oscillator,
        )

    def _end_v(self) -> float:
        """Tell where the output belongs: the selected word, trims added, held between VOUT_MIN and VOUT_MAX."""
        volts = self._volts.volts
        selected = SOURCES[self._octets[Code.OPERATION] & 0x30]
        asked_v = volts(selected) + volts(Code.VOUT_TRIM) + volts(Code.VOUT_CAL_OFFSET)
        held_v = max(min(asked_v, volts(Code.VOUT_MAX)), volts(Code.VOUT_MIN))
        if held_v != asked_v:
            self._status.latch(Code.STATUS_VOUT, _MAX_MIN_WARNING)
        trim, servo, setpoint_v = self._rail.trim, self._servo, held_v
        if servo is not None:
            servo.target_v = held_v
            setpoint_v = self._resting_v if servo.is_stepwise else held_v
        reached_v = achieved_v(setpoint_v, gain_error_ratio=trim.gain_error, offset_error_v=trim.offset_error)
        if trim.inl:
            reached_v += inl_v(setpoint_v / self._rail.nominal - 1.0, trim.inl, trim.inl_span)
        return reached_v if servo is None else reached_v + servo.correction_v

    def _slew_v_per_s(self) -> float:
        rate_v_per_s = 1000.0 * decode_linear11(self._words[Code.VOUT_TRANSITION_RATE])
        return min(rate_v_per_s, self._rail.slew) if rate_v_per_s > 0.0 else self._rail.slew
