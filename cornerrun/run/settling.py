"""Decide whether a rail has settled, from readings and their times alone."""

import math
from collections import deque
from dataclasses import dataclass
from enum import Enum
from statistics import fmean

__all__ = ["Detector", "SettleResult", "State"]

_LEAST_READINGS = 3  # chosen: two agree by chance, and PMBus gives no stamp that tells conversions apart
_MOST_TRACE = 240  # chosen: more than a figure can show
_GRAIN_S = 1e-9  # chosen: the rounding of sums of times, far below any conversion time


class State(Enum):
    """Where a rail stands on its way to a level."""

    WAITING = "waiting"
    SETTLED = "settled"
    TIMED_OUT = "timed out"


@dataclass(frozen=True, kw_only=True, slots=True)
class SettleResult:
    """How a rail got to a level.

    ``settle_s`` is the time from the command to the first of the readings that all lay inside the band. ``mean_v`` and
    ``samples`` are of those readings, or of the last one where it did not settle. ``is_stable_elsewhere`` tells a rail
    that stands still at another voltage (a clamp) from one that still moves. ``trace`` holds the fresh readings, as
    seconds since the command and volts; of a long way only some.
    """

    rail: str
    target_v: float
    state: State
    settle_s: float
    mean_v: float | None
    samples: int
    is_stable_elsewhere: bool = False
    trace: tuple[tuple[float, float], ...] = ()


class Detector:
    """Judge one rail after one command: close, stable and fresh (design: settled, fresh, watched).

    Close: inside ``band_v`` around ``target_v``. Stable: for ``stable_for_s``. Fresh: PMBus stamps no conversion and a
    quiet rail repeats its code, so readings count only if ``scan_s`` apart, the first a full scan after the command.
    Settled needs three readings or more that span the hold. ``commanded_at_s`` is the zero of every time given.
    """

    __slots__ = (
        "_band_v",
        "_commanded_at_s",
        "_count",
        "_first_s",
        "_hold_s",
        "_next_s",
        "_recent",
        "_scan_s",
        "_sum_v",
        "_target_v",
        "_timeout_s",
        "_trace",
        "last_v",
        "state",
    )

    def __init__(
        self,
        *,
        target_v: float,
        band_v: float,
        stable_for_s: float,
        timeout_s: float,
        scan_s: float,
        commanded_at_s: float = 0.0,
    ) -> None:
        if not (band_v > 0 and stable_for_s >= 0 and timeout_s > 0 and scan_s >= 0):
            raise ValueError("band and time-out must be positive, hold and scan not negative")
        self._target_v = target_v
        self._band_v = band_v
        self._hold_s = stable_for_s
        self._timeout_s = timeout_s
        self._scan_s = scan_s
        self._commanded_at_s = commanded_at_s
        self._next_s = commanded_at_s + scan_s
        self._count = 0
        self._first_s = 0.0
        self._sum_v = 0.0
        self._recent: deque[tuple[float, float]] = deque()
        self._trace: list[tuple[float, float]] = []
        self.last_v: float | None = None
        self.state = State.WAITING

    @property
    def deadline_s(self) -> float:
        """When the rail must have settled."""
        return self._commanded_at_s + self._timeout_s

    @property
    def settle_s(self) -> float:
        """Time from the command to the first reading of the present stay inside the band; NaN outside it."""
        return self._first_s - self._commanded_at_s if self._count else math.nan

    @property
    def samples(self) -> int:
        """How many readings the present stay inside the band has."""
        return self._count

    @property
    def mean_v(self) -> float | None:
        """The mean of the present stay inside the band, else the last reading; None before any."""
        return self._sum_v / self._count if self._count else self.last_v

    def feed(self, at_s: float, reading_v: float) -> State:
        """Take a reading; one that is not fresh changes nothing but the time-out."""
        if self.state is not State.WAITING:
            return self.state
        if at_s >= self._next_s - _GRAIN_S:
            self._take(at_s, reading_v)
            if self._count >= _LEAST_READINGS and at_s - self._first_s >= self._hold_s - _GRAIN_S:
                self.state = State.SETTLED
        if self.state is State.WAITING and at_s > self.deadline_s:
            self.state = State.TIMED_OUT
        return self.state

    @property
    def trace(self) -> tuple[tuple[float, float], ...]:
        """The fresh readings so far, thinned where they are many, the last always among them."""
        return tuple(self._trace)

    def next_at(self) -> float:
        """Tell when the next reading is worth taking.

        Outside the band that is the next conversion. Inside, the readings still needed are spread over the hold:
        reading each conversion there would load the bus and settle no sooner.
        """
        if not self._count:
            return self._next_s
        left_s = self._hold_s - (self._next_s - self._scan_s - self._first_s)
        return max(self._next_s, self._next_s - self._scan_s + left_s / max(_LEAST_READINGS - self._count, 1))

    def is_stable_elsewhere(self) -> bool:
        """Whether the rail stands still away from its target, judged on the last quarter of the time-out.

        Its readings lie within the width of the band, and the means of their halves differ by little: less than a
        tenth of the band, or a fiftieth of what is missing (chosen: noise stays below, a slow approach lies above).
        """
        if self._count or len(self._recent) < 2 * _LEAST_READINGS:
            return False
        readings = [reading for _, reading in self._recent]
        if not max(readings) - min(readings) <= 2 * self._band_v:
            return False
        half = len(readings) // 2
        moved_v = abs(fmean(readings[half:]) - fmean(readings[:half]))
        missing_v = abs(readings[-1] - self._target_v)
        return moved_v <= max(self._band_v / 10, missing_v / 50)

    def _take(self, at_s: float, reading_v: float) -> None:
        self._next_s = at_s + self._scan_s
        self.last_v = reading_v
        trace = self._trace
        trace.append((round(at_s - self._commanded_at_s, 6), reading_v))
        if len(trace) > _MOST_TRACE:
            del trace[1:-1:2]
        recent = self._recent
        recent.append((at_s, reading_v))
        while recent[0][0] < at_s - self._timeout_s / 4:
            recent.popleft()
        # A comparison with NaN is false: no number is never inside the band.
        if not abs(reading_v - self._target_v) <= self._band_v:
            self._count = 0
            self._sum_v = 0.0
            return
        if not self._count:
            self._first_s = at_s
        self._count += 1
        self._sum_v += reading_v
