"""Warnings that a device makes from its ADC's conversions: slow, and blind to what happens between two of them."""

from functools import partial

from cornerrun.bench.simulated.comparators import WARNINGS, Comparator
from cornerrun.bench.simulated.converter import Converter
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.page_status import PageStatus
from cornerrun.bench.simulated.protection import Protection
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.vout_words import VoutWords

__all__ = ["AdcWarnings"]


class AdcWarnings:
    """Compares conversions with the warning limits.

    Conversions are looked at one by one only while the output, with all that its ADC may add, is within reach of a
    limit; else nothing could come of it. ``protection`` knows whether the output has come up, and whether faults are
    ignored.
    """

    def __init__(
        self,
        *,
        protection: Protection,
        output: Output,
        converter: Converter,
        words: VoutWords,
        status: PageStatus,
        timeline: Timeline,
    ) -> None:
        self._protection = protection
        self._output = output
        self._converter = converter
        self._words = words
        self._status = status
        self._timeline = timeline
        self._course = 0
        self._beyond: set[Comparator] = set()
        output.listen(self.follow)

    def follow(self, at_s: float) -> None:
        """Take notice of a new course, or of limits that were written."""
        self._course += 1
        if self._status.is_off:
            self._beyond.clear()
        elif self._is_within_reach(at_s):
            self._wait(at_s)

    def reassert(self) -> None:
        """Latch again what the last conversion found beyond its limit."""
        for item in self._beyond:
            self._status.latch(Code.STATUS_VOUT, item.bit)

    def _wait(self, at_s: float) -> None:
        self._timeline.at(self._converter.next_s(at_s), partial(self._look, self._course))

    def _look(self, course: int, at_s: float) -> None:
        if course != self._course:
            return
        read_v, protection = self._converter.reading_v(at_s), self._protection
        for item in WARNINGS:
            is_enabled = not protection.is_ignoring and (item.is_high or protection.is_up)
            if is_enabled and item.is_beyond(read_v, self._words.volts(item.limit)):
                self._beyond.add(item)
                self._status.latch(Code.STATUS_VOUT, item.bit)
            else:
                self._beyond.discard(item)
        if self._beyond or self._is_within_reach(at_s):
            self._wait(at_s)

    def _is_within_reach(self, at_s: float) -> bool:
        low_v, high_v = self._output.extremes_v(at_s)
        reach_v = self._converter.reach_v(high_v)
        return any(
            high_v + reach_v > self._words.volts(item.limit)
            if item.is_high
            else low_v - reach_v < self._words.volts(item.limit)
            for item in WARNINGS
        )
