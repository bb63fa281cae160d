"""Decide from readings and their times alone whether something stays near a target, and whether it stands still."""

from collections import deque

from cornerrun.plan.bench_file import SoakUntil

__all__ = ["Nearness", "Soak"]

_LEAST_READINGS = 3  # chosen: a slope of two readings is their noise
_GRAIN_S = 1e-9  # chosen: the rounding of sums of times


class Nearness:
    """Whether readings have lain within ``within`` of ``target`` without a break for ``hold_s``."""

    def __init__(self, *, target: float, within: float, hold_s: float) -> None:
        self._target = target
        self._within = within
        self._hold_s = hold_s
        self._since_s: float | None = None

    def feed(self, at_s: float, value: float) -> bool:
        """Take a reading and tell whether it has been there for long enough by now."""
        # Written so that NaN is not near.
        if not abs(value - self._target) <= self._within:
            self._since_s = None
            return False
        if self._since_s is None:
            self._since_s = at_s
        return at_s - self._since_s >= self._hold_s - _GRAIN_S


class Soak:
    """Whether readings of a sensor stand still: their span over the last ``time_s``, and the slope of their line."""

    def __init__(self, until: SoakUntil) -> None:
        self._until = until
        self._readings: deque[tuple[float, float]] = deque()

    def feed(self, at_s: float, value: float) -> bool:
        """Take a reading and tell whether the sensor has stood still for long enough by now."""
        until, readings = self._until, self._readings
        readings.append((at_s, value))
        # One reading from before the window stays, so that the window is covered whatever the pace.
        while len(readings) > 1 and readings[1][0] <= at_s - until.time_s + _GRAIN_S:
            readings.popleft()
        if at_s - readings[0][0] < until.time_s - _GRAIN_S or len(readings) < _LEAST_READINGS:
            return False
        return self.span() <= until.window_k and abs(self.slope_per_s()) <= until.slope_k_per_s

    def span(self) -> float:
        """How far the readings of the window lie apart."""
        values = [value for _, value in self._readings]
        return max(values) - min(values) if values else 0.0

    def slope_per_s(self) -> float:
        """The slope of the line through the readings of the window by least squares."""
        count = len(self._readings)
        if count < _LEAST_READINGS:
            return 0.0
        mean_s = sum(at_s for at_s, _ in self._readings) / count
        mean = sum(value for _, value in self._readings) / count
        spread = sum((at_s - mean_s) ** 2 for at_s, _ in self._readings)
        if spread == 0.0:
            return 0.0
        return sum((at_s - mean_s) * (value - mean) for at_s, value in self._readings) / spread
