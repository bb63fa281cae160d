"""A simulation file turned into things that work: outputs, pages, managers, buses, planted trouble."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from cornerrun.bench.simulated.bus import SimulatedBus
from cornerrun.bench.simulated.converter import Converter, input_reading
from cornerrun.bench.simulated.errors_on_wire import WireErrors
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.model import ManagerSettings, RailSettings, SimulationFile
from cornerrun.bench.simulated.output import FollowingOutput, MovedOutput, Output
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.planted import PlantedTrip, plant_death
from cornerrun.bench.simulated.presets import common_presets, page_presets, text_presets, unused_page, unused_rail
from cornerrun.bench.simulated.rail import achieved_v
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.errors import BenchError

__all__ = ["Ambient", "Surrounding", "World", "assemble"]


class Ambient(Protocol):
    """A temperature over time: what a condition moves, or what a chamber makes of it."""

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the temperature at an instant; named as that of an output."""
        ...


@dataclass(frozen=True, kw_only=True, slots=True)
class Surrounding:
    """What a whole board shares: the clock with its timeline, when it was powered up, ambient and input supply."""

    clock: Clock
    timeline: Timeline
    start_s: float
    ambient: Ambient
    supply: MovedOutput


@dataclass(frozen=True, kw_only=True, slots=True)
class World:
    """Everything that was built: outputs by rail, managers by device, buses by name."""

    outputs: Mapping[str, Output]
    managers: Mapping[str, SimulatedManager]
    buses: Mapping[str, SimulatedBus]


def assemble(model: SimulationFile, around: Surrounding) -> World:
    """Build everything, powered up and settled, and plant the trouble that the file asks for."""
    outputs = _outputs(model)
    pages: dict[str, Page] = {}
    managers = {
        name: _manager(model, name, settings, outputs=outputs, pages=pages, around=around)
        for name, settings in model.managers.items()
    }
    for trip in model.faults.trips:
        PlantedTrip(trip, page=pages[trip.rail], outputs=outputs, timeline=around.timeline, start_s=around.start_s)
    for reset in model.faults.resets:
        around.timeline.at(around.start_s + reset.at, managers[reset.device].reset)
    for dead in model.faults.dead_devices:
        plant_death(dead, managers[dead.device], around.timeline, around.start_s)
    names = dict.fromkeys(settings.bus for settings in model.managers.values())
    return World(
        outputs=outputs, managers=managers, buses={name: _bus(model, name, managers, around.clock) for name in names}
    )


def _outputs(model: SimulationFile) -> dict[str, Output]:
    """Make the outputs of all rails; a rail that follows another is made after that one, whatever the file's order."""
    outputs: dict[str, Output] = {}
    left = list(model.rails)
    while left:
        ready = [rail for rail in left if rail.tracks is None or rail.tracks.rail in outputs]
        if not ready:
            raise BenchError("rails of the simulation track each other in a ring, or a rail that is not there")
        for rail in ready:
            outputs[rail.name] = _output(rail, outputs)
        left = [rail for rail in left if rail.name not in outputs]
    return {rail.name: outputs[rail.name] for rail in model.rails}


def _output(rail: RailSettings, outputs: Mapping[str, Output]) -> Output:
    trim = rail.trim
    if rail.tracks is not None:
        return FollowingOutput(
            outputs[rail.tracks.rail],
            ratio=rail.tracks.ratio,
            gain_error_ratio=trim.gain_error,
            offset_error_v=trim.offset_error,
        )
    return MovedOutput(achieved_v(rail.nominal, gain_error_ratio=trim.gain_error, offset_error_v=trim.offset_error))


def _manager(
    model: SimulationFile,
    name: str,
    settings: ManagerSettings,
    *,
    outputs: Mapping[str, Output],
    pages: dict[str, Page],
    around: Surrounding,
) -> SimulatedManager:
    rails = {rail.power.page: rail for rail in model.rails if rail.power is not None and rail.power.device == name}
    count = settings.pages or max(rails, default=0) + 1
    common = common_presets(settings)
    own: list[Page] = []
    for number in range(count):
        is_used = number in rails
        rail = rails[number] if is_used else unused_rail(f"{name} page {number}")
        output = outputs[rail.name] if is_used else MovedOutput(0.0)
        # The ADC goes through the pages one after another.
        converter = _converter(
            model.seed, settings, rail, output, around, phase_s=around.start_s + number * settings.scan / count
        )
        page = Page(
            rail=rail,
            presets=page_presets(settings, rail) if is_used else unused_page(settings),
            step_v=2.0**settings.exponent,
            output=output,
            converter=converter,
            common=common,
            timeline=around.timeline,
            retry_s=settings.retry,
            now_s=around.start_s,
        )
        own.append(page)
        pages[rail.name] = page
    return SimulatedManager(
        address=settings.address,
        pages=own,
        common=common,
        texts=text_presets(settings),
        live={
            Code.READ_VIN: input_reading(
                around.supply, seed=model.seed, device=name, scan_s=settings.scan, start_s=around.start_s
            )
        },
        timeline=around.timeline,
        store_s=settings.store,
        pec=settings.pec,
    )


def _converter(
    seed: int, manager: ManagerSettings, rail: RailSettings, output: Output, around: Surrounding, *, phase_s: float
) -> Converter:
    return Converter(
        seed=seed,
        rail=rail.name,
        output=output,
        settings=rail.adc,
        step_v=2.0**manager.exponent,
        scan_s=manager.scan,
        phase_s=phase_s,
        load_a=rail.load,
        nominal_v=rail.nominal,
        temperature_degc=partial(_warmed, around.ambient.voltage_v, rail.self_heating),
    )


def _warmed(ambient_degc: Callable[[float], float], rise_k: float, at_s: float) -> float:
    return ambient_degc(at_s) + rise_k


def _bus(model: SimulationFile, name: str, managers: Mapping[str, SimulatedManager], clock: Clock) -> SimulatedBus:
    own = {settings.address: managers[device] for device, settings in model.managers.items() if settings.bus == name}
    errors = None
    for planted in model.faults.bus_errors:
        if planted.bus == name:
            errors = WireErrors(
                seed=model.seed,
                bus=name,
                bit_error_ratio=planted.bit_errors,
                no_acknowledge_ratio=planted.no_acknowledge,
            )
    return SimulatedBus(name, own, clock, errors)
