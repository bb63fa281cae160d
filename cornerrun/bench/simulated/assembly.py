"""A simulation file turned into things that work: outputs, pages, managers, buses, planted trouble."""

from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.bench.simulated.bus import SimulatedBus
from cornerrun.bench.simulated.bus_trouble import BusTrouble, has_trouble
from cornerrun.bench.simulated.errors_on_wire import WireErrors
from cornerrun.bench.simulated.fault_lines import FaultLine
from cornerrun.bench.simulated.fault_settings import BusErrors
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.manager_assembly import build_manager
from cornerrun.bench.simulated.manager_power import feed, watch_input
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.physics_settings import INPUT
from cornerrun.bench.simulated.planted import plant
from cornerrun.bench.simulated.rail_assembly import BuiltRail, build_rails
from cornerrun.bench.simulated.surrounding import Ambient, Surrounding

__all__ = ["Ambient", "Surrounding", "World", "assemble"]


@dataclass(frozen=True, kw_only=True, slots=True)
class World:
    """Everything that was built: rails with their outputs by name, managers by device, buses by name."""

    rails: Mapping[str, BuiltRail]
    outputs: Mapping[str, Output]
    managers: Mapping[str, SimulatedManager]
    buses: Mapping[str, SimulatedBus]


def assemble(model: SimulationFile, around: Surrounding) -> World:
    """Build everything, powered up and settled, and plant the trouble that the file asks for."""
    rails = build_rails(model, around)
    outputs = {name: rail.output for name, rail in rails.items()}
    pages: dict[str, Page] = {}
    managers = {
        name: build_manager(model, name, settings, rails=rails, pages=pages, around=around)
        for name, settings in model.managers.items()
    }
    _connect(model, rails, pages, managers, around)
    plant(model.faults, outputs=outputs, pages=pages, managers=managers, around=around, seed=model.seed)
    names = dict.fromkeys(settings.bus for settings in model.managers.values())
    return World(
        rails=rails,
        outputs=outputs,
        managers=managers,
        buses={name: _bus(model, name, managers, around) for name in names},
    )


def _connect(
    model: SimulationFile,
    rails: Mapping[str, BuiltRail],
    pages: Mapping[str, Page],
    managers: Mapping[str, SimulatedManager],
    around: Surrounding,
) -> None:
    """Wire fault lines between pages, and managers to what feeds them."""
    for name, line in model.fault_lines.items():
        FaultLine(
            name,
            line,
            drivers=[pages[rail] for rail in line.driven_by],
            obeyers=[pages[rail] for rail in line.obeyed_by],
            timeline=around.timeline,
        )
    for name, settings in model.managers.items():
        manager, supply = managers[name], settings.supply
        watch_input(manager, settings.input, around.supply, timeline=around.timeline, start_s=around.start_s)
        if supply is not None:
            source = around.supply if supply.rail == INPUT else rails[supply.rail].output
            feed(manager, supply, source, timeline=around.timeline, start_s=around.start_s)


def _bus(
    model: SimulationFile, name: str, managers: Mapping[str, SimulatedManager], around: Surrounding
) -> SimulatedBus:
    own = {settings.address: managers[device] for device, settings in model.managers.items() if settings.bus == name}
    rates = next((errors for errors in model.faults.bus_errors if errors.bus == name), BusErrors(bus=name))
    events = [event for event in model.faults.bus_events if event.bus == name]
    errors = None
    if rates.bit_errors or rates.no_acknowledge:
        errors = WireErrors(
            seed=model.seed,
            bus=name,
            bit_error_ratio=rates.bit_errors,
            no_acknowledge_ratio=rates.no_acknowledge,
        )
    trouble = None
    if events or has_trouble(rates):
        trouble = BusTrouble(
            seed=model.seed,
            bus=name,
            rates=rates,
            events=events,
            addresses={device: settings.address for device, settings in model.managers.items()},
            clock=around.clock,
            start_s=around.start_s,
        )
    return SimulatedBus(name, own, around.clock, errors, trouble)
