"""The comparators of one page: warnings, faults, power good, and what the device does about a fault.

They are fast: they see the output itself, not the ADC's conversions of it. When one trips is worked out as soon as the
output sets out, and put on the timeline.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from cornerrun.bench.simulated.comparators import Comparator
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.page_status import PageStatus
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.vout_words import VoutWords

__all__ = ["Protection"]


_GOES_ON_FOR_A_WHILE = 0b01


class Protection:
    """Watches one output.

    ``shut_down`` is called with the time and the response byte when a fault asks for it, ``noted`` with the time, the
    status register and the bit when a fault begins. ``errors`` are factors on the limits, by register: how far each
    comparator is off. While the output is off, or has not come up yet, nothing is under voltage; while a margin is told
    to ignore faults, no comparator acts.
    """

    def __init__(
        self,
        items: Sequence[Comparator],
        *,
        output: Output,
        words: VoutWords,
        octets: Mapping[int, int],
        status: PageStatus,
        timeline: Timeline,
        shut_down: Callable[[float, int], None],
        noted: Callable[[float, int, int], None],
        errors: Mapping[int, float] | None = None,
        delay_unit_s: float = 0.0,
    ) -> None:
        self._items = items
        self._output = output
        self._words = words
        self._octets = octets
        self._status = status
        self._timeline = timeline
        self._shut_down = shut_down
        self._noted = noted
        self._errors = errors or {}
        self._delay_unit_s = delay_unit_s
        self._course = 0
        self._beyond: set[Comparator] = set()
        self._begun: Counter[Comparator] = Counter()
        self._quiet_v = (0.0, 0.0)
        self.is_up = False
        self.is_ignoring = False
        output.listen(self.follow)

    def begin(self, at_s: float) -> None:
        """Start with an output that is up already, or off."""
        is_on = not self._status.is_off
        self._status.is_power_good = is_on and self._output.voltage_v(at_s) >= self._words.volts(Code.POWER_GOOD_ON)
        self.limits_changed(at_s)

    def limits_changed(self, at_s: float) -> None:
        """Take notice of limits that were written."""
        high_v = min(self._level_v(item) for item in self._items if item.is_high)
        self._quiet_v = (max(self._up_v(), self._words.volts(Code.POWER_GOOD_OFF)), high_v)
        self.follow(at_s)

    def switched(self, at_s: float) -> None:
        """Take notice that the output was turned on or off."""
        self.is_up = False
        self._beyond.clear()
        self.follow(at_s)

    def reassert(self) -> None:
        """Latch again what is still beyond its limit: a condition that is present outlives CLEAR_FAULTS."""
        for item in self._beyond:
            self._status.latch(Code.STATUS_VOUT, item.bit)

    def follow(self, at_s: float) -> None:
        """Work out what the course that the output has just taken will cross, and when."""
        self._follow(at_s, self._output.voltage_v(at_s))

    def _follow(self, at_s: float, now_v: float) -> None:
        self._course += 1
        if self.is_up and self._status.is_power_good and not self._beyond:
            quiet_low_v, quiet_high_v = self._quiet_v
            low_v, high_v = self._output.extremes_v(at_s)
            if quiet_low_v < low_v and high_v < quiet_high_v:
                return
        self._follow_start(at_s, now_v)
        self._follow_power_good(at_s, now_v)
        course = self._course
        for item in self._items:
            level_v = self._level_v(item)
            if not self._is_enabled(item):
                self._beyond.discard(item)
                continue
            self._set(item, item.is_beyond(now_v, level_v), at_s)
            if course != self._course:
                return  # a fault has shut the output down meanwhile, and that course was followed by itself
            self._arm(item, at_s)

    def _arm(self, item: Comparator, from_s: float) -> None:
        """Have a comparator change over when the output next passes its level."""
        goes_beyond = item not in self._beyond
        act = partial(self._change, item, goes_beyond, self._course)
        self._later(self._level_v(item), from_s, act, is_rising=item.is_high is goes_beyond)

    def _change(self, item: Comparator, is_beyond: bool, course: int, at_s: float) -> None:
        if course != self._course:
            return
        self._set(item, is_beyond, at_s)
        if course == self._course:
            self._arm(item, at_s)

    def _follow_start(self, at_s: float, now_v: float) -> None:
        """An output can be under voltage only once it has come up past every limit that says so."""
        if self.is_up or self._status.is_off:
            return
        up_v = self._up_v()
        if now_v >= up_v:
            self.is_up = True
        else:
            self._later(up_v, at_s, partial(self._come_up, self._course), is_rising=True)

    def _come_up(self, course: int, at_s: float) -> None:
        if course == self._course:
            self.is_up = True
            # Rounding may put the voltage a hair below the limit that it has just come up to.
            self._follow(at_s, max(self._output.voltage_v(at_s), self._up_v()))

    def _up_v(self) -> float:
        return max(self._level_v(item) for item in self._items if not item.is_high)

    def _level_v(self, item: Comparator) -> float:
        """Tell the voltage, ripple left out, at which a comparator changes over."""
        half_ripple_v = 0.5 * self._output.ripple_v
        level_v = self._words.volts(item.limit) * self._errors.get(item.limit, 1.0)
        return level_v - half_ripple_v if item.is_high else level_v + half_ripple_v

    def _is_enabled(self, item: Comparator) -> bool:
        return not self.is_ignoring and not self._status.is_off and (item.is_high or self.is_up)

    def _later(self, level_v: float, from_s: float, act: Callable[[float], None], *, is_rising: bool) -> None:
        crosses_s = self._output.next_crossing_s(level_v, from_s, is_rising=is_rising)
        if crosses_s is not None:
            self._timeline.at(crosses_s, act)

    def _set(self, item: Comparator, is_beyond: bool, at_s: float) -> None:
        if not is_beyond:
            self._beyond.discard(item)
            return
        if item in self._beyond:
            return
        self._beyond.add(item)
        self._begun[item] += 1
        self._status.latch(Code.STATUS_VOUT, item.bit)
        if item.response is not None:
            self._noted(at_s, Code.STATUS_VOUT, item.bit)
            self._respond(item, self._octets[item.response], at_s)

    def _respond(self, item: Comparator, response: int, at_s: float) -> None:
        """Do what bits 7:6 of the response byte say (Part II 10.5, from memory)."""
        kind = response >> 6
        if kind == _GOES_ON_FOR_A_WHILE:
            due_s = at_s + (response & 0x07) * self._delay_unit_s
            self._timeline.at(due_s, partial(self._run_out, item, self._begun[item], response))
        elif kind:
            self._shut_down(at_s, response)

    def _run_out(self, item: Comparator, begun: int, response: int, at_s: float) -> None:
        if item in self._beyond and begun == self._begun[item] and not self._status.is_off:
            self._shut_down(at_s, response)

    def _follow_power_good(self, at_s: float, now_v: float) -> None:
        on_v, off_v = self._words.volts(Code.POWER_GOOD_ON), self._words.volts(Code.POWER_GOOD_OFF)
        if self._status.is_off or now_v < off_v:
            self._set_power_good(False)
        elif now_v >= on_v:
            self._set_power_good(True)
        self._arm_power_good(at_s)

    def _arm_power_good(self, from_s: float) -> None:
        if self._status.is_off:
            return
        is_good = self._status.is_power_good
        level = Code.POWER_GOOD_OFF if is_good else Code.POWER_GOOD_ON
        act = partial(self._change_power_good, not is_good, self._course)
        self._later(self._words.volts(level), from_s, act, is_rising=not is_good)

    def _change_power_good(self, is_good: bool, course: int, at_s: float) -> None:
        if course == self._course:
            self._set_power_good(is_good)
            self._arm_power_good(at_s)

    def _set_power_good(self, is_good: bool) -> None:
        # Power good has no consequence in this device.
        if is_good != self._status.is_power_good:
            self._status.is_power_good = is_good
            self._status.publish()
