"""A comparator on any voltage: told when it goes below a level, and when it is back."""

from collections.abc import Callable
from functools import partial

from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["LevelWatch"]


class LevelWatch:
    """``changed`` is called with the time and whether the voltage is below, from the timeline, at each crossing.

    At the start the voltage is taken to be above; if it is not, that is a change.
    """

    def __init__(
        self,
        output: Output,
        level_v: float,
        *,
        timeline: Timeline,
        changed: Callable[[float, bool], None],
        start_s: float,
    ) -> None:
        self._output = output
        self._level_v = level_v
        self._timeline = timeline
        self._changed = changed
        self._course = 0
        self._is_below = False
        output.listen(self._follow)
        self._follow(start_s)

    def _follow(self, at_s: float) -> None:
        self._course += 1
        if (self._output.voltage_v(at_s) < self._level_v) is not self._is_below:
            self._timeline.at(at_s, partial(self._change, self._course))
        else:
            self._arm(at_s)

    def _arm(self, from_s: float) -> None:
        crosses_s = self._output.next_crossing_s(self._level_v, from_s, is_rising=self._is_below)
        if crosses_s is not None:
            self._timeline.at(crosses_s, partial(self._change, self._course))

    def _change(self, course: int, at_s: float) -> None:
        if course == self._course:
            self._is_below = not self._is_below
            self._arm(at_s)
            self._changed(at_s, self._is_below)
