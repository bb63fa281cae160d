"""A whole simulated bench: its buses, meter and conditions, and the truth for tests."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.ports import Condition
from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.simulated.assembly import Surrounding, assemble
from cornerrun.bench.simulated.board_console import BoardConsole
from cornerrun.bench.simulated.board_life import SimulatedBoard
from cornerrun.bench.simulated.bus import SimulatedBus, SimulatedLink
from cornerrun.bench.simulated.condition import SimulatedCondition
from cornerrun.bench.simulated.instruments.chamber import Chamber
from cornerrun.bench.simulated.instruments.chamber_text import ChamberCondition
from cornerrun.bench.simulated.instruments.clock_generator import ClockGenerator
from cornerrun.bench.simulated.instruments.rack import Rack
from cornerrun.bench.simulated.instruments.supply import SupplyCondition
from cornerrun.bench.simulated.instruments.text_faults import TextInstrument, with_faults
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.stage import Stage
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.errors import BenchError
from cornerrun.plan.model import Source

if TYPE_CHECKING:
    from cornerrun.bench.simulated.meter import SimulatedMeterSettings

__all__ = ["SimulatedBench"]

T = TypeVar("T")


class SimulatedBench:
    """Everything that a simulation file describes, on one clock.

    `managers` and `truth_v` are for tests: the product itself reaches the bench through links only. All of it belongs
    to one thread at a time.
    """

    def __init__(
        self,
        model: SimulationFile,
        clock: Clock,
        source: Source | None = None,
        *,
        seed: int | None = None,
        serial: str | None = None,
    ) -> None:
        if model.population is not None:
            from cornerrun.bench.simulated.population import individual

            model = individual(model, serial)
        self.model = model if seed is None else model.model_copy(update={"seed": seed})
        self.source = source
        self.serial = serial
        self.check_listeners: list[Callable[[str, bool, float], None]] = []
        self.visit_listeners: list[Callable[[int, str, float], None]] = []
        self._clock = clock
        self._timeline = Timeline()
        self._ambient = MovedOutput(model.conditions.ambient.start)
        self._supply = MovedOutput(model.conditions.input_voltage.start)
        self._generator = MovedOutput(model.conditions.clock.start)
        chamber = None if model.chamber is None else Chamber(model.chamber, clock, seed=self.model.seed)
        stage = Stage(serial or "")
        self.visit_listeners.append(stage.begin_visit)
        self.check_listeners.append(stage.change_check)
        around = Surrounding(
            clock=clock,
            timeline=self._timeline,
            start_s=clock.now_s(),
            ambient=self._ambient if chamber is None else chamber,
            supply=self._supply,
            stage=stage,
        )
        self._world = assemble(self.model, around)
        self.rack = Rack(
            clock=clock,
            timeline=self._timeline,
            seed=self.model.seed,
            rails=self.model.rails,
            outputs=self._world.outputs,
            input_output=self._supply,
            chamber=chamber,
            supply=model.supply,
            electronic_load=model.electronic_load,
            load_changed=self._sink,
            clock_generator=None
            if model.clock_generator is None
            else ClockGenerator(model.clock_generator, output=self._generator, clock=clock),
            rail_supplies=model.rail_supplies,
            driven={name: rail.driven for name, rail in self._world.rails.items() if rail.driven is not None},
        )
        self.board = SimulatedBoard(
            model.board,
            serial=serial or "",
            seed=self.model.seed,
            rails=self.model.rails,
            outputs=self._world.outputs,
            supply=self._supply,
            ambient_degc=around.ambient.voltage_v,
            timeline=self._timeline,
            now_s=around.start_s,
        )
        self._meter: TextInstrument | None = None
        self._wired = {channel: self._world.outputs[rail] for rail, channel in model.channels.items()}

    @classmethod
    def load(cls, path: Path, clock: Clock, *, seed: int | None = None, serial: str | None = None) -> "SimulatedBench":
        """Read a simulation file and power the bench up; ``seed`` replaces that of the file.

        ``serial`` says which unit of the file's population is on the bench; None is the typical one.

        Raises:
            PlanProblems: every problem of the file, with its position.

        """
        from cornerrun.bench.simulated.load import load_simulation

        document = load_simulation(path)
        return cls(document.model, clock, document.source, seed=seed, serial=serial)

    @property
    def now(self) -> float:
        """The bench's time: that of its clock, in seconds."""
        return self._clock.now_s()

    @property
    def buses(self) -> Mapping[str, SimulatedBus]:
        """The buses by name; each is ready to carry raw messages."""
        return self._world.buses

    @property
    def managers(self) -> Mapping[str, SimulatedManager]:
        """The managers by device name."""
        return self._world.managers

    def link(self, bus_name: str, *, clock_hz: float = 100e3, pec: bool = False) -> Link:
        """Open a bus as a master in this process; wire time is charged to the clock.

        Raises:
            BenchError: the simulation has no such bus.

        """
        return SimulatedLink(_known(self.buses, bus_name, "bus"), clock_hz=clock_hz, pec=int(pec))

    @property
    def instruments(self) -> tuple[str, ...]:
        """The names of all instruments that speak text: "meter", "supply", "electronic_load", "chamber"."""
        return (*(("meter",) if self.model.meter is not None else ()), *self.rack.names)

    def instrument(self, name: str) -> TextInstrument:
        """Open an instrument by the name of its section of the simulation file; the same one each time.

        Raises:
            BenchError: the simulation has no such instrument.

        """
        if name == "meter" and self.model.meter is not None:
            if self._meter is None:
                self._meter = self._build_meter(self.model.meter)
            return self._meter
        if name not in self.rack.names:
            raise BenchError(f"the simulation has no {name!r}; it has {', '.join(self.instruments) or 'no instrument'}")
        return self.rack.link(name)

    def meter(self) -> TextLink | None:
        """Open the reference meter; None if the simulation has none."""
        return None if self.model.meter is None else self.instrument("meter")

    def condition(self, name: str) -> Condition:
        """Open what surrounds the board: "ambient", "input_voltage" or "clock".

        Raises:
            BenchError: the simulation has no such condition.

        """
        if name == "ambient" and self.rack.chamber is not None:
            return ChamberCondition(self.rack.chamber)
        if name == "input_voltage" and self.rack.supply is not None:
            return SupplyCondition(self.rack.supply)
        settings = self.model.conditions
        ambient, supply, generator = settings.ambient, settings.input_voltage, settings.clock
        kinds = {
            "ambient": (self._ambient, ambient.start, ambient.time_constant, ambient.band),
            "input_voltage": (self._supply, supply.start, supply.time_constant, supply.band),
            "clock": (self._generator, generator.start, generator.time_constant, generator.band),
        }
        value, resting, time_constant_s, band = _known(kinds, name, "condition")
        return SimulatedCondition(
            value=value, resting=resting, time_constant_s=time_constant_s, band=band, clock=self._clock
        )

    def console(self) -> BoardConsole | None:
        """Open the board's text console; None if it has none."""
        if self.model.board.console is None:
            return None
        return BoardConsole(
            self.board,
            clock=self._clock,
            timeline=self._timeline,
            seed=self.model.seed,
            voltages_v=lambda at_s: {name: output.voltage_v(at_s) for name, output in self._world.outputs.items()},
            conditions=self._conditions,
        )

    def begin_visit(self, visit: int, corner: str) -> None:
        """Take notice that a visit begins; for what is planted by visit or by corner."""
        now_s = self.now
        self._timeline.run_until(now_s)
        for told in self.visit_listeners:
            told(visit, corner, now_s)

    def begin_check(self, check: str) -> Mapping[str, str]:
        """Take notice that a check begins, and tell what its view shall show of the board, as text.

        "simulation" is the file's path; "state", "console", "boots", "junction" and more where the board has them.
        """
        now_s = self.now
        self._timeline.run_until(now_s)
        for told in self.check_listeners:
            told(check, True, now_s)
        about = self.board.begin_check(check, now_s)
        return about if self.source is None else {**about, "simulation": str(self.source.path)}

    def end_check(self, check: str) -> None:
        """Take notice that a check has ended."""
        now_s = self.now
        self._timeline.run_until(now_s)
        for told in self.check_listeners:
            told(check, False, now_s)
        self.board.end_check(check, now_s)

    def truth_v(self, rail: str, at_s: float) -> float:
        """Tell the true voltage of a rail at a time of the clock, as no instrument can.

        Raises:
            BenchError: the simulation has no such rail.

        """
        output = _known(self._world.outputs, rail, "rail")
        self._timeline.run_until(self.now)
        return output.voltage_v(at_s)

    def _conditions(self) -> Mapping[str, float]:
        now_s = self.now
        ambient = self._ambient if self.rack.chamber is None else self.rack.chamber
        return {
            "ambient": ambient.voltage_v(now_s),
            "input_voltage": self._supply.voltage_v(now_s),
            "clock": self._generator.voltage_v(now_s),
        }

    def _sink(self, rail: str, current_a: float, at_s: float) -> None:
        self._world.rails[rail].load.draw("electronic load", current_a, at_s)

    def _build_meter(self, settings: "SimulatedMeterSettings") -> TextInstrument:
        from cornerrun.bench.simulated.meter import SimulatedMeter

        meter = SimulatedMeter(settings=settings, clock=self._clock, input_v=self._input_v)
        return with_faults(meter, settings.faults, clock=self._clock, seed=settings.seed, name="meter")

    def _input_v(self, channel: int, start_s: float, aperture_s: float) -> float:
        """Tell the mean voltage at a channel of the scanner; KeyError where nothing is wired to it."""
        self._timeline.run_until(self.now)
        if self.model.meter is not None and channel in self.model.meter.standards:
            return self.model.meter.standards[channel]
        return self._wired[channel].mean_v(start_s, start_s + aperture_s)


def _known(things: Mapping[str, T], name: str, what: str) -> T:
    try:
        return things[name]
    except KeyError:
        raise BenchError(f"the simulation has no {what} {name!r}; it has {', '.join(things) or 'none'}") from None
