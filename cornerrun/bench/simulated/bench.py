"""A whole simulated bench, put together from its file: buses, meter, conditions, and the truth for tests."""

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import TypeVar

from cornerrun.bench.pmbus.formats import encode_linear11
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.ports import Condition
from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.simulated.bus import SimulatedBus, SimulatedLink
from cornerrun.bench.simulated.condition import SimulatedCondition
from cornerrun.bench.simulated.converter import Converter
from cornerrun.bench.simulated.errors_on_wire import WireErrors
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.model import AdcSettings, ManagerSettings, RailSettings, SimulationFile
from cornerrun.bench.simulated.output import FollowingOutput, MovedOutput, Output
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.planted import PlantedTrip, plant_death
from cornerrun.bench.simulated.presets import common_presets, page_presets, text_presets, unused_page
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.errors import BenchError
from cornerrun.plan.model import Source

__all__ = ["SimulatedBench"]

T = TypeVar("T")


class SimulatedBench:
    """Everything that a simulation file describes, on one clock.

    ``managers`` (by device name) and `truth_v` are for tests: the product itself reaches the bench through links only.
    All of it belongs to one thread at a time.
    """

    def __init__(self, model: SimulationFile, clock: Clock, source: Source | None = None) -> None:
        self.model = model
        self.source = source
        self._clock = clock
        self._start_s = clock.now_s()
        self._timeline = Timeline()
        self._ambient = MovedOutput(model.conditions.ambient.start)
        self._input = MovedOutput(model.conditions.input_voltage.start)
        self._outputs = _outputs(model)
        self._pages: dict[str, Page] = {}
        self.managers = {name: self._manager(name, settings) for name, settings in model.managers.items()}
        self._buses = self._make_buses()
        self._plant()

    @classmethod
    def load(cls, path: Path, clock: Clock) -> "SimulatedBench":
        """Read a simulation file and power the bench up.

        Raises:
            PlanProblems: every problem of the file, with its position.

        """
        from cornerrun.bench.simulated.load import load_simulation

        document = load_simulation(path)
        return cls(document.model, clock, document.source)

    @property
    def now(self) -> float:
        """The bench's time: that of its clock, in seconds."""
        return self._clock.now_s()

    @property
    def buses(self) -> Mapping[str, SimulatedBus]:
        """The buses by name; each is ready to carry raw messages."""
        return self._buses

    def link(self, bus_name: str, *, clock_hz: float = 100e3, pec: bool = False) -> Link:
        """Open a bus as a master in this process; wire time is charged to the clock.

        Raises:
            BenchError: the simulation has no such bus.

        """
        return SimulatedLink(_known(self._buses, bus_name, "bus"), clock_hz=clock_hz, pec=int(pec))

    def meter(self) -> TextLink | None:
        """Open the reference meter; None if the simulation has none."""
        if self.model.meter is None:
            return None
        from cornerrun.bench.simulated.meter import SimulatedMeter

        return SimulatedMeter(settings=self.model.meter, clock=self._clock, input_v=self._channel_v)

    def condition(self, name: str) -> Condition:
        """Open what surrounds the board: "ambient" or "input_voltage".

        Raises:
            BenchError: the simulation has no such condition.

        """
        settings = self.model.conditions
        ambient, supply = settings.ambient, settings.input_voltage
        kinds = {
            "ambient": (self._ambient, ambient.start, ambient.time_constant, ambient.band),
            "input_voltage": (self._input, supply.start, supply.time_constant, supply.band),
        }
        value, resting, time_constant_s, band = _known(kinds, name, "condition")
        return SimulatedCondition(
            value=value, resting=resting, time_constant_s=time_constant_s, band=band, clock=self._clock
        )

    def truth_v(self, rail: str, at_s: float) -> float:
        """Tell the true voltage of a rail at a time of the clock, as no instrument can.

        Raises:
            BenchError: the simulation has no such rail.

        """
        output = _known(self._outputs, rail, "rail")
        self._timeline.run_until(self.now)
        return output.voltage_v(at_s)

    def _channel_v(self, channel: int, start_s: float, aperture_s: float) -> float:
        self._timeline.run_until(self.now)
        rails = [rail for rail, number in self.model.channels.items() if number == channel]
        return self._outputs[rails[0]].mean_v(start_s, start_s + aperture_s) if rails else 0.0

    def _manager(self, name: str, settings: ManagerSettings) -> SimulatedManager:
        rails = {
            rail.power.page: rail for rail in self.model.rails if rail.power is not None and rail.power.device == name
        }
        count = settings.pages or max(rails, default=0) + 1
        common = common_presets(settings)
        pages = []
        for number in range(count):
            rail = rails.get(number)
            if rail is None:
                rail = RailSettings(name=f"{name} page {number}", nominal=1.0, adc=AdcSettings(noise=0.0))
            presets = unused_page(settings) if number not in rails else page_presets(settings, rail)
            phase_s = self._start_s + number * settings.scan / count
            pages.append(self._page(settings, rail, presets, common, phase_s=phase_s))
        return SimulatedManager(
            address=settings.address,
            pages=pages,
            common=common,
            texts=text_presets(settings),
            live={Code.READ_VIN: lambda now_s: encode_linear11(self._input.voltage_v(now_s))},
            timeline=self._timeline,
            store_s=settings.store,
        )

    def _page(
        self,
        manager: ManagerSettings,
        rail: RailSettings,
        presets: Mapping[int, int],
        common: Mapping[int, int],
        *,
        phase_s: float,
    ) -> Page:
        output = self._outputs.get(rail.name) or MovedOutput(0.0)
        step_v = 2.0**manager.exponent
        converter = Converter(
            seed=self.model.seed,
            rail=rail.name,
            output=output,
            settings=rail.adc,
            step_v=step_v,
            scan_s=manager.scan,
            phase_s=phase_s,
            load_a=rail.load,
            nominal_v=rail.nominal,
            temperature_degc=partial(_warmed, self._ambient.voltage_v, rail.self_heating),
        )
        page = Page(
            rail=rail,
            presets=presets,
            step_v=step_v,
            output=output,
            converter=converter,
            common=common,
            timeline=self._timeline,
            retry_s=manager.retry,
            now_s=self._start_s,
        )
        self._pages[rail.name] = page
        return page

    def _make_buses(self) -> dict[str, SimulatedBus]:
        names = dict.fromkeys(settings.bus for settings in self.model.managers.values())
        return {name: self._bus(name) for name in names}

    def _bus(self, name: str) -> SimulatedBus:
        managers = {
            manager.address: manager
            for device, manager in self.managers.items()
            if self.model.managers[device].bus == name
        }
        planted = [errors for errors in self.model.faults.bus_errors if errors.bus == name]
        errors = None
        if planted:
            errors = WireErrors(
                seed=self.model.seed,
                bus=name,
                bit_error_ratio=planted[0].bit_errors,
                no_acknowledge_ratio=planted[0].no_acknowledge,
            )
        return SimulatedBus(name, managers, self._clock, errors)

    def _plant(self) -> None:
        for trip in self.model.faults.trips:
            PlantedTrip(
                trip,
                page=self._pages[trip.rail],
                outputs=self._outputs,
                timeline=self._timeline,
                start_s=self._start_s,
            )
        for dead in self.model.faults.dead_devices:
            plant_death(dead, self.managers[dead.device], self._timeline, self._start_s)


def _outputs(model: SimulationFile) -> dict[str, Output]:
    """Make the outputs of all rails; a rail that follows another is made after that one, whatever the file's order."""
    outputs: dict[str, Output] = {}
    left = list(model.rails)
    while left:
        ready = [rail for rail in left if rail.tracks is None or rail.tracks.rail in outputs]
        for rail in ready:
            outputs[rail.name] = _output(rail, outputs)
        if not ready:
            raise BenchError("rails of the simulation track each other in a ring")
        left = [rail for rail in left if rail.name not in outputs]
    return outputs


def _output(rail: RailSettings, outputs: Mapping[str, Output]) -> Output:
    if rail.tracks is not None:
        return FollowingOutput(
            outputs[rail.tracks.rail],
            ratio=rail.tracks.ratio,
            gain_error_ratio=rail.trim.gain_error,
            offset_error_v=rail.trim.offset_error,
        )
    return MovedOutput(rail.nominal * (1.0 + rail.trim.gain_error) + rail.trim.offset_error)


def _warmed(ambient_degc: Callable[[float], float], rise_k: float, at_s: float) -> float:
    return ambient_degc(at_s) + rise_k


def _known(things: Mapping[str, T], name: str, what: str) -> T:
    try:
        return things[name]
    except KeyError:
        names: Iterable[str] = things
        raise BenchError(f"the simulation has no {what} {name!r}; it has {', '.join(names) or 'none'}") from None
