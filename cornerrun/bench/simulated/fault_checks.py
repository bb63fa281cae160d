"""Check what the section ``faults`` of a simulation file says of rails, managers and buses."""

from collections.abc import Iterator, Sequence

from cornerrun.bench.simulated.fault_settings import FaultSettings, Occasion
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.registers import BY_NAME
from cornerrun.bench.simulated.troubles import Loc, Trouble, unknown
from cornerrun.plan.nearest import suggestion

__all__ = ["fault_troubles"]


def fault_troubles(model: SimulationFile) -> Iterator[Trouble]:
    """Tell every problem of the section."""
    yield from _trips(model)
    yield from _rails_of(model)
    yield from _devices(model)
    yield from _occasions(model)
    yield from _bus_errors(model)
    yield from _bus_events(model)


def _planted(faults: FaultSettings) -> dict[str, Sequence[Occasion]]:
    return {
        "trips": faults.trips,
        "shorts": faults.shorts,
        "brown_outs": faults.brown_outs,
        "dead_devices": faults.dead_devices,
        "dead_segments": faults.dead_segments,
        "resets": faults.resets,
        "absurd_modes": faults.absurd_modes,
    }


def _trips(model: SimulationFile) -> Iterator[Trouble]:
    rails = {rail.name: rail for rail in model.rails}
    for index, trip in enumerate(model.faults.trips):
        loc: Loc = ("faults", "trips", index, "rail")
        if trip.rail not in rails:
            yield unknown(loc, "rail", trip.rail, rails)
        elif rails[trip.rail].power is None:
            came = f"{trip.rail} is on no page that could trip"
            yield Trouble(loc=loc, came=came, advice="name a rail with 'power'")


def _rails_of(model: SimulationFile) -> Iterator[Trouble]:
    rails = [rail.name for rail in model.rails]
    for index, short in enumerate(model.faults.shorts):
        if short.rail not in rails:
            yield unknown(("faults", "shorts", index, "rail"), "rail", short.rail, rails)


def _devices(model: SimulationFile) -> Iterator[Trouble]:
    faults = model.faults
    named = {
        "dead_devices": tuple(dead.device for dead in faults.dead_devices),
        "resets": tuple(reset.device for reset in faults.resets),
        "absurd_modes": tuple(mode.device for mode in faults.absurd_modes),
        "stale_pages": tuple(stale.device for stale in faults.stale_pages),
    }
    for section, devices in named.items():
        for index, device in enumerate(devices):
            if device not in model.managers:
                yield unknown(("faults", section, index, "device"), "manager", device, model.managers)
    for index, segment in enumerate(faults.dead_segments):
        for place, device in enumerate(segment.devices):
            if device not in model.managers:
                loc: Loc = ("faults", "dead_segments", index, "devices", place)
                yield unknown(loc, "manager", device, model.managers)


def _occasions(model: SimulationFile) -> Iterator[Trouble]:
    rails = [rail.name for rail in model.rails]
    for section, occasions in _planted(model.faults).items():
        for index, occasion in enumerate(occasions):
            loc: Loc = ("faults", section, index)
            if not occasion.is_timed:
                advice = "give 'at', 'when', 'visits' or 'corner', or several of them"
                yield Trouble(loc=loc, came="nothing says when", advice=advice)
            if occasion.after and not occasion.is_of_visits:
                advice = "give 'visits' or 'corner' too, or write 'at'"
                yield Trouble(loc=(*loc, "after"), came="it counts from the start of a visit", advice=advice)
            for name, band in occasion.when.items():
                if name not in rails:
                    yield unknown((*loc, "when", name), "rail", name, rails)
                if band.below is None and band.above is None:
                    yield Trouble(loc=(*loc, "when", name), came="the band is open", advice="give 'below' or 'above'")


def _bus_errors(model: SimulationFile) -> Iterator[Trouble]:
    buses = [manager.bus for manager in model.managers.values()]
    seen = set[str]()
    for index, errors in enumerate(model.faults.bus_errors):
        loc: Loc = ("faults", "bus_errors", index, "bus")
        if errors.bus not in buses:
            yield unknown(loc, "bus", errors.bus, buses)
        elif errors.bus in seen:
            came = f"the errors of bus {errors.bus!r} stand here twice"
            yield Trouble(loc=loc, came=came, advice="write them in one entry")
        seen.add(errors.bus)


def _bus_events(model: SimulationFile) -> Iterator[Trouble]:
    buses = [manager.bus for manager in model.managers.values()]
    for index, event in enumerate(model.faults.bus_events):
        loc: Loc = ("faults", "bus_events", index)
        if event.bus not in buses:
            yield unknown((*loc, "bus"), "bus", event.bus, buses)
        if event.device is not None and event.device not in model.managers:
            yield unknown((*loc, "device"), "manager", event.device, model.managers)
        elif event.device is not None and model.managers[event.device].bus != event.bus:
            came = f"{event.device} is on bus {model.managers[event.device].bus!r}"
            yield Trouble(loc=(*loc, "device"), came=came, advice="name a manager of this bus")
        if event.command is not None and event.command.upper() not in BY_NAME:
            came = f"{event.command!r} is no register of a simulated manager"
            yield Trouble(loc=(*loc, "command"), came=came, advice=suggestion(event.command.upper(), BY_NAME))
