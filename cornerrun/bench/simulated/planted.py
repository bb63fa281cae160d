"""Trouble planted in a simulation file, put on the timeline of the bench."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from cornerrun.bench.simulated.disturbed import DisturbedOutput
from cornerrun.bench.simulated.fault_settings import AbsurdMode, BrownOut, FaultSettings, Occasion, Short, Trip
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.occasions import Occasions
from cornerrun.bench.simulated.output import MovedOutput, Output
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.surrounding import Surrounding
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["plant"]

_SHOWS = {
    "ov_fault": (Code.STATUS_VOUT, 0x80),
    "uv_fault": (Code.STATUS_VOUT, 0x10),
    "oc_fault": (Code.STATUS_IOUT, 0x80),
    "ot_fault": (Code.STATUS_TEMPERATURE, 0x80),
}
_OC_SEEN_S = 1e-4  # chosen: how long a device that turns on into a short takes to see it


def plant(
    faults: FaultSettings,
    *,
    outputs: Mapping[str, Output],
    pages: Mapping[str, Page],
    managers: Mapping[str, SimulatedManager],
    around: Surrounding,
    seed: int,
) -> None:
    """Plant everything but the trouble of buses."""

    def on(occasion: Occasion, kind: str, number: int, happen: Callable[[float], bool]) -> None:
        Occasions(occasion, happen, name=f"{kind} {number}", outputs=outputs, around=around, seed=seed)

    timeline = around.timeline
    for number, trip in enumerate(faults.trips):
        on(trip, "trip", number, partial(_trip, trip, pages[trip.rail]))
    for number, short in enumerate(faults.shorts):
        planted = _PlantedShort(short, output=outputs[short.rail], page=pages.get(short.rail), timeline=timeline)
        on(short, "short", number, planted.begin)
    for number, dip in enumerate(faults.brown_outs):
        on(dip, "brown-out", number, partial(_dip, dip, around.supply, timeline))
    for number, reset in enumerate(faults.resets):
        on(reset, "reset", number, partial(_reset, managers[reset.device]))
    for number, dead in enumerate(faults.dead_devices):
        on(dead, "dead device", number, partial(_die, [managers[dead.device]], dead.lasts))
    for number, segment in enumerate(faults.dead_segments):
        cut_off = [managers[device] for device in segment.devices]
        on(segment, "dead segment", number, partial(_die, cut_off, segment.lasts))
    for number, mode in enumerate(faults.absurd_modes):
        on(mode, "absurd mode", number, partial(_mislead, mode, managers[mode.device], timeline))


def _trip(trip: Trip, page: Page, at_s: float) -> bool:
    if page.status.is_off:
        return False
    page.trip(at_s, *_SHOWS[trip.shows])
    return True


def _reset(manager: SimulatedManager, at_s: float) -> bool:
    manager.reset(at_s)
    return True


def _die(managers: Sequence[SimulatedManager], lasts_s: float | None, at_s: float) -> bool:
    """Have managers stop acknowledging their addresses for a while, or for good."""
    until_s = float("inf") if lasts_s is None else at_s + lasts_s
    for manager in managers:
        manager.deaf_until_s = max(manager.deaf_until_s, until_s)
    return True


def _dip(dip: BrownOut, supply: MovedOutput, timeline: Timeline, at_s: float) -> bool:
    before_v = supply.end_v()

    def come_back(later_s: float) -> None:
        if supply.end_v() == dip.to:  # else somebody has set the supply meanwhile
            supply.go(later_s, before_v, time_constant_s=dip.fall)

    supply.go(at_s, dip.to, time_constant_s=dip.fall)
    timeline.at(at_s + dip.lasts, come_back)
    return True


def _mislead(mode: AbsurdMode, manager: SimulatedManager, timeline: Timeline, at_s: float) -> bool:
    before = [page.octets[Code.VOUT_MODE] for page in manager.pages]

    def show(octets: Sequence[int], later_s: float) -> None:
        del later_s
        for page, octet in zip(manager.pages, octets, strict=True):
            page.octets[Code.VOUT_MODE] = octet

    show([mode.byte] * len(before), at_s)
    if mode.lasts is not None:
        timeline.at(at_s + mode.lasts, partial(show, before))
    return True


class _PlantedShort:
    """A short that comes and perhaps goes; ``page`` None: nothing can turn the rail off."""

    def __init__(self, short: Short, *, output: Output, page: Page | None, timeline: Timeline) -> None:
        assert isinstance(output, DisturbedOutput)  # that is what a short makes it
        self._short = short
        self._output = output
        self._page = page
        self._timeline = timeline
        self._is_there = False
        if page is not None:
            page.on_switch.append(self._switched)

    def begin(self, at_s: float) -> bool:
        self._is_there = True
        self._output.short(at_s, self._short.share, fall_s=self._short.fall)
        self._see(at_s)
        if self._short.lasts is not None:
            self._timeline.at(at_s + self._short.lasts, self._end)
        return True

    def _end(self, at_s: float) -> None:
        self._is_there = False
        self._output.short(at_s, 1.0, fall_s=self._short.fall)

    def _switched(self, at_s: float, is_on: bool) -> None:
        if is_on and self._is_there:
            self._timeline.at(at_s + _OC_SEEN_S, self._see)

    def _see(self, at_s: float) -> None:
        if self._is_there and self._page is not None:
            self._page.trip(at_s, *_SHOWS["oc_fault"])
