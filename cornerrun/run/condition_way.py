"""One condition on its way to a level: no faster than the plan allows, watched, and kept as it went."""

from collections.abc import Callable
from dataclasses import dataclass

from cornerrun.bench.abilities import LimitsRamp, SensesBoard
from cornerrun.bench.ports import Condition as ConditionDriver
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError
from cornerrun.plan.condition_nouns import Condition
from cornerrun.results.condition_change import ConditionChange
from cornerrun.run.journal import Journal
from cornerrun.run.progress import ConditionProgress
from cornerrun.units import Kind, kind_of, show

__all__ = ["ConditionWay", "Trace"]

_POLL_S = 1.0  # chosen: chambers and supplies move over seconds to an hour
_DEADLINE_S = 4 * 3600.0  # chosen: the slowest chamber ramp and soak, with room; every wait has a deadline
_MOST_TRACE = 240  # chosen: more than a figure can show
_SLOPE_SHARE = 1 / 20  # chosen: a slope over so much of the way, or over ten readings, is no noise
_SLOPE_POLLS = 10


class Trace:
    """Readings on the way; of a long one every second, then every fourth and so on, the first and the last always."""

    def __init__(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._last: tuple[float, float] | None = None
        self._every = self._skipped = 0

    def add(self, after_s: float, value: float) -> None:
        """Take a reading."""
        self._last = (after_s, value)
        if self._skipped < self._every:
            self._skipped += 1
            return
        self._skipped = 0
        self._points.append((after_s, value))
        if len(self._points) > _MOST_TRACE - 1:
            del self._points[1::2]
            self._every = 2 * self._every + 1

    @property
    def points(self) -> tuple[tuple[float, float], ...]:
        """What was kept."""
        ends = () if self._last is None or (self._points and self._points[-1] == self._last) else (self._last,)
        return (*self._points, *ends)

    def steepest_per_s(self) -> float | None:
        """Tell the steepest slope over a stretch long enough that noise does not count; None of a short way."""
        points = self.points
        if len(points) < 2:
            return None
        stretch_s = max(_SLOPE_SHARE * (points[-1][0] - points[0][0]), _SLOPE_POLLS * _POLL_S)
        slopes, first = [], 0
        for last, (at_s, value) in enumerate(points):
            while first + 1 < last and at_s - points[first + 1][0] >= stretch_s:
                first += 1
            if at_s - points[first][0] >= stretch_s:
                slopes.append(abs(value - points[first][1]) / (at_s - points[first][0]))
        return max(slopes, default=None)


@dataclass(frozen=True, kw_only=True)
class ConditionWay:
    """Bring a condition to a value.

    ``wait`` lets time pass until a time on the clock, watching what can be watched. A driver that cannot keep to a ramp
    itself is sent after its target step by step.
    """

    condition: Condition
    driver: ConditionDriver
    clock: Clock
    journal: Journal
    wait: Callable[[float], None]

    def go(self, target: float, *, level: str, is_board_on: bool = True) -> ConditionChange:
        """Go there and wait until it has settled; InstrumentError if that takes four hours longer than the ramp."""
        began_s = self.clock.now_s()
        came_from = self._reading()
        trace = Trace()
        if came_from is not None:
            trace.add(0.0, came_from)
        ramp_per_s = self.condition.ramp_per_s
        is_stepped = ramp_per_s is not None and came_from is not None and not self._limits(ramp_per_s)
        ramp_s = abs(target - came_from) / ramp_per_s if ramp_per_s is not None and came_from is not None else 0.0
        if not is_stepped:
            self.driver.start(target)
        is_on_the_way = is_stepped
        while is_on_the_way or not self.driver.has_settled():
            after_s = self.clock.now_s() - began_s
            if is_on_the_way and came_from is not None:
                is_on_the_way = after_s < ramp_s
                share = after_s / ramp_s if is_on_the_way else 1.0
                self.driver.start(came_from + share * (target - came_from) if is_on_the_way else target)
            reading = self._reading()
            if reading is not None:
                trace.add(after_s, reading)
            if after_s >= ramp_s + _DEADLINE_S:
                raise InstrumentError(
                    f"{self.condition.name}: not at {self._shown(target)} after {show(after_s, Kind.TIME)}; it reads "
                    f"{'nothing' if reading is None else self._shown(reading)}"
                )
            left_s = ramp_s - after_s if after_s < ramp_s else None
            self.journal.tell(
                ConditionProgress(
                    condition=self.condition.name,
                    unit=self.condition.unit,
                    level=level,
                    target=target,
                    reading=reading,
                    left_s=left_s,
                )
            )
            self.wait(self.clock.now_s() + _POLL_S)
        reading = self.driver.read()
        took_s = self.clock.now_s() - began_s
        trace.add(took_s, reading)
        sensed = self.driver.sensed() if isinstance(self.driver, SensesBoard) else None
        return ConditionChange(
            condition=self.condition.name,
            unit=self.condition.unit,
            level=level,
            target=target,
            came_from=came_from,
            reading=reading,
            started_s=began_s - self.journal.started_s,
            took_s=took_s,
            ramp_per_s=ramp_per_s,
            steepest_per_s=trace.steepest_per_s(),
            is_board_on=is_board_on,
            sensed=None if sensed is None else sensed[1],
            sensor="" if sensed is None else sensed[0],
            trace=trace.points,
        )

    def _reading(self) -> float | None:
        """Read where it is; None if nobody knows, as before a person has read out a display."""
        try:
            return self.driver.read()
        except InstrumentError:
            return None  # one that is broken says so where it is asked whether it has settled

    def _limits(self, ramp_per_s: float) -> bool:
        return isinstance(self.driver, LimitsRamp) and self.driver.limit_ramp(ramp_per_s)

    def _shown(self, value: float) -> str:
        kind = kind_of(self.condition.unit)
        return f"{value:g}" if kind is None else show(value, kind)
