"""When something planted happens: by time, voltages, visit, corner, unit or chance."""

from collections.abc import Callable, Mapping
from fnmatch import fnmatchcase
from functools import partial

from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.fault_settings import Occasion, VoltageBand
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.surrounding import Surrounding

__all__ = ["Occasions"]


class Occasions:
    """Calls ``happen`` at the opportunities that an `Occasion` describes.

    ``happen`` answers whether it could: only that counts. ``name`` keeps the draws of different plants apart; a draw is
    a function of seed, serial number, name, and the visit, or else the number of the opportunity.
    """

    def __init__(
        self,
        occasion: Occasion,
        happen: Callable[[float], bool],
        *,
        name: str,
        outputs: Mapping[str, Output],
        around: Surrounding,
        seed: int,
    ) -> None:
        self._occasion = occasion
        self._try = happen
        self._name = name
        self._around = around
        self._seed = seed
        self._bands = tuple((outputs[rail], band) for rail, band in occasion.when.items())
        self._from_s = around.start_s + (occasion.at or 0.0)
        self._course = 0
        self._left = occasion.times
        self._opportunities = 0
        self._is_met = False
        for output, _ in self._bands:
            output.listen(self._follow)
        if occasion.is_of_visits:
            around.stage.on_visit(self._visit)
        elif occasion.at is not None or self._bands:
            around.timeline.at(self._from_s, self._follow if self._bands else self._meet)

    def _visit(self, at_s: float) -> None:
        self._is_met = False
        due_s = at_s + self._occasion.after
        if due_s >= self._from_s and self._is_here():
            act = self._follow if self._bands else partial(self._meet_in, self._around.stage.visit)
            self._around.timeline.at(due_s, act)

    def _meet_in(self, visit: int | None, at_s: float) -> None:
        if visit == self._around.stage.visit:
            self._meet(at_s)

    def _is_here(self) -> bool:
        occasion, stage = self._occasion, self._around.stage
        if occasion.visits and stage.visit not in occasion.visits:
            return False
        return occasion.corner is None or (stage.visit is not None and fnmatchcase(stage.corner, occasion.corner))

    def _follow(self, at_s: float) -> None:
        """Work out when the courses under way bring the last rail into its band."""
        self._course += 1
        if at_s < self._from_s or self._left <= 0 or not self._is_here():
            return
        times = [_enters_s(output, band, at_s) for output, band in self._bands]
        if any(time_s != at_s for time_s in times):
            self._is_met = False
        if all(time_s is not None for time_s in times):
            due_s = max(time_s for time_s in times if time_s is not None)
            # Never from within a rail's own change of course: that is not finished yet.
            self._around.timeline.at(due_s, partial(self._meet_on, self._course))

    def _meet_on(self, course: int, at_s: float) -> None:
        if course == self._course and not self._is_met:
            self._is_met = True
            self._meet(at_s)

    def _meet(self, at_s: float) -> None:
        if self._left <= 0 or not self._is_unit() or not self._is_drawn():
            return
        if self._try(at_s):
            self._left -= 1
        else:
            self._is_met = False

    def _is_unit(self) -> bool:
        pattern = self._occasion.serial
        return pattern is None or fnmatchcase(self._around.stage.serial, pattern)

    def _is_drawn(self) -> bool:
        if self._occasion.probability >= 1.0:
            return True
        stage, number = self._around.stage, self._opportunities
        self._opportunities += 1
        place = f"visit {stage.visit}" if self._occasion.is_of_visits else f"opportunity {number}"
        return uniform("planted", self._seed, stage.serial, self._name, place) < self._occasion.probability


def _enters_s(output: Output, band: VoltageBand, at_s: float) -> float | None:
    """Tell when an output is in a band at the earliest, if its course ends there; None if it does not."""
    end_v, now_v = output.end_v(), output.voltage_v(at_s)
    due_s = at_s
    for bound_v, sign in ((band.below, 1.0), (band.above, -1.0)):
        if bound_v is None:
            continue
        if sign * (end_v - bound_v) > 0.0:
            return None
        if sign * (now_v - bound_v) > 0.0:
            crosses_s = output.next_crossing_s(bound_v, at_s, is_rising=sign < 0.0)
            due_s = max(due_s, at_s if crosses_s is None else crosses_s)
    return due_s
