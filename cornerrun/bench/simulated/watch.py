"""Whether rails lie beyond an edge, told at the instant at which that changes."""

from collections.abc import Callable, Sequence
from functools import partial

from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["Watch"]

_FIRST_LOOK_S = 1e-5  # chosen: a hundredth of the fastest usual time constant of a rail
_LOOKS = 24  # doubling each time: the last one is some eighty seconds ahead
_HALVINGS = 40


class Watch:
    """Follow a combination of outputs: the sum of factor times voltage, against a level.

    It is beyond the level where it lies below it (``is_below``) or above it, and comes back once it is past the level
    by ``hysteresis_v``. ``changed(is_beyond, at_s)`` is called on the timeline, never from within a rail's own change;
    who gives none looks at ``is_beyond``.
    """

    def __init__(
        self,
        terms: Sequence[tuple[Output, float]],
        *,
        level_v: float,
        is_below: bool,
        timeline: Timeline,
        now_s: float,
        changed: Callable[[bool, float], None] | None = None,
        hysteresis_v: float = 0.0,
    ) -> None:
        self._terms = tuple(terms)
        self._sign = 1.0 if is_below else -1.0
        self._level_v = level_v
        self._hysteresis_v = hysteresis_v
        self._timeline = timeline
        self._changed = changed
        self._course = 0
        self.is_beyond = self._distance_v(now_s) < 0.0
        for output, _ in self._terms:
            output.listen(self._follow)
        self._timeline.at(now_s, partial(self._look, self._course))

    def _distance_v(self, at_s: float) -> float:
        """How far from the level on its good side; negative is beyond."""
        total_v = sum(factor * output.voltage_v(at_s) for output, factor in self._terms)
        return self._sign * (total_v - self._level_v)

    def _changes_at(self, at_s: float) -> bool:
        distance_v = self._distance_v(at_s)
        return distance_v >= self._hysteresis_v if self.is_beyond else distance_v < 0.0

    def _follow(self, at_s: float) -> None:
        self._course += 1
        self._timeline.at(at_s, partial(self._look, self._course))

    def _look(self, course: int, at_s: float) -> None:
        """See whether it changes now, or find when it will."""
        if course != self._course:
            return
        if self._changes_at(at_s):
            self.is_beyond = not self.is_beyond
            if self._changed is not None:
                self._changed(self.is_beyond, at_s)
        before_s = at_s
        for look in range(_LOOKS):
            later_s = at_s + _FIRST_LOOK_S * 2.0**look
            if self._changes_at(later_s):
                self._timeline.at(self._change_between(before_s, later_s), partial(self._look, course))
                return
            before_s = later_s
        end_v = self._sign * (sum(factor * output.end_v() for output, factor in self._terms) - self._level_v)
        if (end_v >= self._hysteresis_v) if self.is_beyond else (end_v < 0.0):
            self._timeline.at(before_s, partial(self._look, course))

    def _change_between(self, good_s: float, changed_s: float) -> float:
        for _ in range(_HALVINGS):
            middle_s = 0.5 * (good_s + changed_s)
            if self._changes_at(middle_s):
                changed_s = middle_s
            else:
                good_s = middle_s
        return changed_s
