"""The comparators of one page: warnings, faults, power good, and what the device does about a fault.

They are fast: they see the output itself, not the ADC's conversions of it. When one trips is worked out as soon as the
output sets out, and put on the timeline.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.page_status import PageStatus
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["Protection"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Comparator:
    """One comparator: the limit's register, its STATUS_VOUT bit, and its response's register if it has one."""

    limit: int
    bit: int
    is_high: bool
    response: int | None = None


_COMPARATORS = (
    _Comparator(limit=Code.VOUT_OV_FAULT_LIMIT, bit=0x80, is_high=True, response=Code.VOUT_OV_FAULT_RESPONSE),
    _Comparator(limit=Code.VOUT_OV_WARN_LIMIT, bit=0x40, is_high=True),
    _Comparator(limit=Code.VOUT_UV_WARN_LIMIT, bit=0x20, is_high=False),
    _Comparator(limit=Code.VOUT_UV_FAULT_LIMIT, bit=0x10, is_high=False, response=Code.VOUT_UV_FAULT_RESPONSE),
)


class Protection:
    """Watches one output.

    ``shut_down`` is called with the time and the response byte when a fault asks for it. While the output is off, or
    has not come up yet, nothing is under voltage; while a margin is told to ignore faults, no comparator acts.
    """

    def __init__(
        self,
        *,
        output: Output,
        words: Mapping[int, int],
        octets: Mapping[int, int],
        step_v: float,
        status: PageStatus,
        timeline: Timeline,
        shut_down: Callable[[float, int], None],
    ) -> None:
        self._output = output
        self._words = words
        self._octets = octets
        self._step_v = step_v
        self._status = status
        self._timeline = timeline
        self._shut_down = shut_down
        self._course = 0
        self._beyond: set[_Comparator] = set()
        self._quiet_v = (0.0, 0.0)
        self.is_up = False
        self.is_ignoring = False
        output.listen(self.follow)

    def begin(self, at_s: float) -> None:
        """Start with an output that is up already, or off."""
        self.is_up = self._output.voltage_v(at_s) >= self._limit_v(Code.POWER_GOOD_ON) and not self._status.is_off
        self._status.is_power_good = self.is_up
        self.limits_changed(at_s)

    def limits_changed(self, at_s: float) -> None:
        """Take notice of limits that were written."""
        high_v = min(self._limit_v(item.limit) for item in _COMPARATORS if item.is_high)
        low_v = max(self._limit_v(item.limit) for item in _COMPARATORS if not item.is_high)
        self._quiet_v = (max(low_v, self._limit_v(Code.POWER_GOOD_OFF)), high_v)
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
        self._course += 1
        now_v, end_v = self._output.voltage_v(at_s), self._output.end_v()
        low_v, high_v = self._quiet_v
        if self.is_up and not self._beyond and low_v < now_v < high_v and low_v < end_v < high_v:
            return
        self._follow_power_good(at_s, now_v, end_v)
        course = self._course
        for item in _COMPARATORS:
            if course != self._course:
                return  # a fault has shut the output down meanwhile, and that course was followed by itself
            level_v = self._limit_v(item.limit)
            if not self._is_enabled(item):
                self._beyond.discard(item)
                continue
            self._set(item, _is_beyond(item, now_v, level_v), at_s)
            if _is_beyond(item, end_v, level_v) != (item in self._beyond):
                self._later(level_v, partial(self._set_later, item, item not in self._beyond, course))

    def _limit_v(self, code: int) -> float:
        return self._words[code] * self._step_v

    def _is_enabled(self, item: _Comparator) -> bool:
        return not self.is_ignoring and not self._status.is_off and (item.is_high or self.is_up)

    def _later(self, level_v: float, act: Callable[[float], None]) -> None:
        crosses_s = self._output.crosses_at_s(level_v)
        if crosses_s is not None:
            self._timeline.at(crosses_s, act)

    def _set_later(self, item: _Comparator, is_beyond: bool, course: int, at_s: float) -> None:
        if course == self._course:
            self._set(item, is_beyond, at_s)

    def _set(self, item: _Comparator, is_beyond: bool, at_s: float) -> None:
        if not is_beyond:
            self._beyond.discard(item)
            return
        if item in self._beyond:
            return
        self._beyond.add(item)
        self._status.latch(Code.STATUS_VOUT, item.bit)
        if item.response is not None and self._octets[item.response] & 0xC0:
            self._shut_down(at_s, self._octets[item.response])

    def _follow_power_good(self, at_s: float, now_v: float, end_v: float) -> None:
        on_v, off_v = self._limit_v(Code.POWER_GOOD_ON), self._limit_v(Code.POWER_GOOD_OFF)
        if self._status.is_off or now_v < off_v:
            self._set_power_good(False, self._course, at_s)
        elif now_v >= on_v:
            self._set_power_good(True, self._course, at_s)
        if self._status.is_power_good:
            if end_v < off_v:
                self._later(off_v, partial(self._set_power_good, False, self._course))
        elif not self._status.is_off and end_v >= on_v:
            self._later(on_v, partial(self._set_power_good, True, self._course))

    def _set_power_good(self, is_good: bool, course: int, at_s: float) -> None:
        if course != self._course or is_good == self._status.is_power_good:
            return
        self._status.is_power_good = is_good
        self._status.publish()
        if is_good and not self.is_up:
            # Only now can the output be under voltage: it has come up once.
            self.is_up = True
            self.follow(at_s)


def _is_beyond(item: _Comparator, voltage_v: float, level_v: float) -> bool:
    return voltage_v > level_v if item.is_high else voltage_v < level_v
