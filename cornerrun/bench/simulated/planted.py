"""Trouble planted in a simulation file, put on the timeline of the bench."""

from collections.abc import Mapping
from functools import partial

from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.model import DeadDevice, Trip, VoltageBand
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["PlantedTrip", "plant_death"]

_SHOWS = {
    "ov_fault": (Code.STATUS_VOUT, 0x80),
    "uv_fault": (Code.STATUS_VOUT, 0x10),
    "oc_fault": (Code.STATUS_IOUT, 0x80),
    "ot_fault": (Code.STATUS_TEMPERATURE, 0x80),
}


class PlantedTrip:
    """Trips a page at a time, or as soon as all of some rails are in their bands."""

    def __init__(
        self, trip: Trip, *, page: Page, outputs: Mapping[str, Output], timeline: Timeline, start_s: float
    ) -> None:
        self._code, self._bit = _SHOWS[trip.shows]
        self._page = page
        self._timeline = timeline
        self._left = trip.times
        self._bands = tuple((outputs[rail], band) for rail, band in trip.when.items())
        self._course = 0
        self._from_s = start_s + (trip.at or 0.0)
        for output, _ in self._bands:
            output.listen(self._follow)
        timeline.at(self._from_s, self._happen if not self._bands else self._follow)

    def _happen(self, at_s: float) -> None:
        if self._left > 0 and not self._page.status.is_off:
            self._left -= 1
            self._page.trip(at_s, self._code, self._bit)

    def _happen_on(self, course: int, at_s: float) -> None:
        if course == self._course:
            self._happen(at_s)

    def _follow(self, at_s: float) -> None:
        """Work out when the courses under way bring the last rail into its band."""
        self._course += 1
        if at_s < self._from_s or self._left <= 0:
            return
        times = [_enters_s(output, band, at_s) for output, band in self._bands]
        if all(time_s is not None for time_s in times):
            due_s = max(time_s for time_s in times if time_s is not None)
            # Never from within a rail's own change of course: that is not finished yet.
            self._timeline.at(due_s, partial(self._happen_on, self._course))


def plant_death(dead: DeadDevice, manager: SimulatedManager, timeline: Timeline, start_s: float) -> None:
    """Have a manager stop acknowledging its address for a while, or for good."""
    until_s = float("inf") if dead.lasts is None else start_s + dead.at + dead.lasts

    def die(at_s: float) -> None:
        del at_s
        manager.deaf_until_s = max(manager.deaf_until_s, until_s)

    timeline.at(start_s + dead.at, die)


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
            crosses_s = output.crosses_at_s(bound_v)
            due_s = max(due_s, at_s if crosses_s is None else crosses_s)
    return due_s
