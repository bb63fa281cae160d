"""An output with everything that disturbs a real one: the sum of its parts, below what feeds it."""

import math
from collections.abc import Callable, Sequence
from typing import Protocol

from cornerrun.bench.simulated.crossing import first_crossing_s
from cornerrun.bench.simulated.output import MovedOutput, Output
from cornerrun.bench.simulated.parts import Ceiling, Part, Ripple
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["DisturbedOutput"]

_LOOK_AGAIN_S = 5.0  # chosen: how often a comparator looks again where something drifts by itself
_POINTS = 64  # chosen: of a mean that has no closed form; the midpoint rule then errs by about 1e-4 of a change


class DisturbedOutput:
    """Adds parts to a base output, and holds the sum below a ceiling.

    Parts count in full from half of nominal up, and in proportion below: an output that is off has none of them. A
    change of the base is told at once; a change of anything else is told from the timeline, so that no rail's own
    change of course is cut short by another's.
    """

    def __init__(self, base: Output, *, nominal_v: float, timeline: Timeline, ripple: Ripple | None = None) -> None:
        self._base = base
        self._nominal_v = nominal_v
        self._timeline = timeline
        self._ripple = ripple
        self._parts: list[Part] = []
        self._ceilings: list[Ceiling] = []
        self._left = MovedOutput(1.0)
        self._has_short = False
        self._listeners: list[Callable[[float], None]] = []
        self._is_looking = False
        self._seen: tuple[float, float, float] | None = None
        base.listen(self._tell)

    def add(self, part: Part) -> None:
        """Let something add to the output from now on."""
        self._parts.append(part)
        part.listen(self._tell_later)

    def hold_below(self, ceiling: Ceiling) -> None:
        """Let something hold the output down from now on."""
        self._ceilings.append(ceiling)
        ceiling.listen(self._tell_later)

    def short(self, at_s: float, share: float, *, fall_s: float) -> None:
        """Leave only a share of the voltage; a share of 1 ends it."""
        self._has_short = True
        self._left.go(at_s, share, time_constant_s=fall_s)
        self._tell_later(at_s)

    def look_again(self, start_s: float) -> None:
        """Have listeners look again and again, since something changes that nobody tells of."""
        if not self._is_looking:
            self._is_looking = True
            self._timeline.at(start_s + _LOOK_AGAIN_S, self._look)

    @property
    def ripple_v(self) -> float:
        return self._base.ripple_v if self._ripple is None else self._ripple.peak_to_peak_v

    def listen(self, told: Callable[[float], None], /) -> None:
        self._listeners.append(told)

    def voltage_v(self, at_s: float, /) -> float:
        voltage_v = self._base.voltage_v(at_s)
        if self._parts:
            share = min(1.0, max(0.0, 2.0 * voltage_v / self._nominal_v))
            voltage_v += share * sum(part.voltage_v(at_s) for part in self._parts)
        for ceiling in self._ceilings:
            voltage_v = min(voltage_v, ceiling.voltage_v(at_s))
        return voltage_v * self._left.voltage_v(at_s) if self._has_short else voltage_v

    def sampled_v(self, at_s: float, /) -> float:
        voltage_v = self.voltage_v(at_s)
        return voltage_v if self._ripple is None else voltage_v + self._ripple.voltage_v(at_s)

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        ripple_v = 0.0 if self._ripple is None else self._ripple.mean_v(from_s, to_s)
        if to_s <= from_s:
            return self.voltage_v(from_s) + ripple_v
        lowest_v = min(self._base.voltage_v(from_s), self._base.voltage_v(to_s))
        if not self._ceilings and not self._has_short and lowest_v >= 0.5 * self._nominal_v:
            mean_v = self._base.mean_v(from_s, to_s) + sum(part.mean_v(from_s, to_s) for part in self._parts)
            return mean_v + ripple_v
        step_s = (to_s - from_s) / _POINTS
        points = (self.voltage_v(from_s + (number + 0.5) * step_s) for number in range(_POINTS))
        return math.fsum(points) / _POINTS + ripple_v

    def end_v(self) -> float:
        marks = self.landmarks(-math.inf)
        return self.voltage_v(marks[-1]) if marks else self._base.end_v()

    def crosses_at_s(self, level_v: float, /) -> float | None:
        marks = self.landmarks(-math.inf)
        if len(marks) < 2:
            return None
        is_rising = self.voltage_v(marks[0]) < level_v
        return first_crossing_s(self.voltage_v, level_v, marks, is_rising=is_rising)

    def next_crossing_s(self, level_v: float, from_s: float, /, *, is_rising: bool) -> float | None:
        marks = (from_s, *self.landmarks(from_s))
        return first_crossing_s(self.voltage_v, level_v, marks, is_rising=is_rising)

    def extremes_v(self, from_s: float, /) -> tuple[float, float]:
        # Several listeners ask for the same: comparators, warnings, planted trouble.
        if self._seen is None or self._seen[0] != from_s:
            seen_v = [self.voltage_v(mark_s) for mark_s in (from_s, *self.landmarks(from_s))]
            self._seen = (from_s, min(seen_v), max(seen_v))
        return self._seen[1:]

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        sources: Sequence[_Marked] = (self._base, *self._parts, *self._ceilings, self._left)
        marks = {mark_s for source in sources for mark_s in source.landmarks(from_s) if mark_s > -math.inf}
        return tuple(sorted(marks))

    def _tell(self, at_s: float) -> None:
        self._seen = None
        for told in self._listeners:
            told(at_s)

    def _tell_later(self, at_s: float) -> None:
        self._seen = None
        self._timeline.at(at_s, self._tell)

    def _look(self, at_s: float) -> None:
        self._tell(at_s)
        self._timeline.at(at_s + _LOOK_AGAIN_S, self._look)


class _Marked(Protocol):
    def landmarks(self, from_s: float, /) -> tuple[float, ...]: ...
