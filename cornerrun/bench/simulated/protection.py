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
        is_on = not self._status.is_off
        self._status.is_power_good = is_on and self._output.voltage_v(at_s) >= self._limit_v(Code.POWER_GOOD_ON)
        self.limits_changed(at_s)

    def limits_changed(self, at_s: float) -> None:
        """Take notice of limits that were written."""
        high_v = min(self._limit_v(item.limit) for item in _COMPARATORS if item.is_high)
        self._quiet_v = (max(self._up_v(), self._limit_v(Code.POWER_GOOD_OFF)), high_v)
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
        end_v = self._output.end_v()
        low_v, high_v = self._quiet_v
        is_quiet = self.is_up and self._status.is_power_good and not self._beyond
        if is_quiet and low_v < now_v < high_v and low_v < end_v < high_v:
            return
        self._follow_start(now_v, end_v)
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

    def _follow_start(self, now_v: float, end_v: float) -> None:
        """An output can be under voltage only once it has come up past every limit that says so."""
        if self.is_up or self._status.is_off:
            return
        up_v = self._up_v()
        if now_v >= up_v:
            self.is_up = True
        elif end_v >= up_v:
            self._later(up_v, partial(self._come_up, self._course))

    def _come_up(self, course: int, at_s: float) -> None:
        if course == self._course:
            self.is_up = True
            # Rounding may put the voltage a hair below the limit that it has just come up to.
            self._follow(at_s, max(self._output.voltage_v(at_s), self._up_v()))

    def _up_v(self) -> float:
        return max(self._limit_v(item.limit) for item in _COMPARATORS if not item.is_high)

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
        del at_s  # power good has no consequence in this device
        if course != self._course or is_good == self._status.is_power_good:
            return
        self._status.is_power_good = is_good
        self._status.publish()


def _is_beyond(item: _Comparator, voltage_v: float, level_v: float) -> bool:
    return voltage_v > level_v if item.is_high else voltage_v < level_v
