"""The instruments of a simulated bench beside its meter: built, wired to the board, and put behind text."""

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from cornerrun.bench.simulated.instruments.chamber import Chamber
from cornerrun.bench.simulated.instruments.chamber_text import chamber_entries
from cornerrun.bench.simulated.instruments.clock_generator import ClockGenerator, generator_entries
from cornerrun.bench.simulated.instruments.electronic_load import (
    ElectronicLoad,
    ElectronicLoadSettings,
    load_entries,
)
from cornerrun.bench.simulated.instruments.engine import Entry, InstrumentEngine
from cornerrun.bench.simulated.instruments.identity import InstrumentSettings
from cornerrun.bench.simulated.instruments.supply import PowerSupplySettings, RailSupplySettings, Supply, supply_entries
from cornerrun.bench.simulated.instruments.text_faults import TextInstrument, with_faults
from cornerrun.bench.simulated.output import MovedOutput, Output
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock

__all__ = ["LoadedRail", "Rack"]


class LoadedRail(Protocol):
    """What the rack knows of a rail: its load at nominal."""

    @property
    def name(self) -> str:
        """The rail's name."""
        ...

    @property
    def nominal(self) -> float:
        """Its nominal voltage, in volts."""
        ...

    @property
    def load(self) -> float:
        """What the board draws from it at nominal, in amperes."""
        ...


class Rack:
    """Holds supply, electronic load and chamber; each is there only if the simulation file has its section."""

    def __init__(
        self,
        *,
        clock: Clock,
        timeline: Timeline,
        seed: int,
        rails: Sequence[LoadedRail],
        outputs: Mapping[str, Output],
        input_output: MovedOutput,
        chamber: Chamber | None = None,
        supply: PowerSupplySettings | None = None,
        electronic_load: ElectronicLoadSettings | None = None,
        load_changed: Callable[[str, float, float], None] | None = None,
        rail_supplies: Mapping[str, RailSupplySettings] | None = None,
        driven: Mapping[str, MovedOutput] | None = None,
        clock_generator: ClockGenerator | None = None,
    ) -> None:
        self._clock = clock
        self._seed = seed
        self._rails = {rail.name: rail for rail in rails}
        self._outputs = outputs
        self._links: dict[str, TextInstrument] = {}
        self._load_changed = load_changed
        self._supply_settings = supply
        self.chamber = chamber
        self.clock_generator = clock_generator
        self.electronic_load: ElectronicLoad | None = None
        self.supply: Supply | None = None
        if electronic_load is not None:
            self.electronic_load = ElectronicLoad(
                electronic_load,
                output=outputs[electronic_load.rail],
                timeline=timeline,
                clock=clock,
                changed=self._sinks_otherwise,
            )
        if supply is not None:
            self.supply = Supply(
                supply, output=input_output, power_w=self.board_power_w, timeline=timeline, clock=clock, seed=seed
            )
            for rail in rails:
                outputs[rail.name].listen(self.supply.board_changed)
        self.rail_supplies = {
            name: self._rail_supply(settings, (driven or {})[settings.rail], timeline)
            for name, settings in (rail_supplies or {}).items()
        }

    @property
    def names(self) -> tuple[str, ...]:
        """The instruments that are there, by the names of their sections."""
        there: dict[str, object] = {
            "supply": self.supply,
            "electronic_load": self.electronic_load,
            "chamber": self.chamber,
            "clock_generator": self.clock_generator,
        }
        return (*(name for name, instrument in there.items() if instrument is not None), *self.rail_supplies)

    def link(self, name: str) -> TextInstrument:
        """Open an instrument; the same one each time. KeyError if it is not there."""
        if name not in self._links:
            self._links[name] = self._opened(name)
        return self._links[name]

    def board_power_w(self) -> float:
        """Tell what the board draws from its input once its rails have settled, the electronic load included."""
        efficiency, power_w = 1.0, 0.0
        if self._supply_settings is not None:
            efficiency, power_w = self._supply_settings.efficiency, self._supply_settings.idle
        for name, rail in self._rails.items():
            end_v = max(0.0, self._outputs[name].end_v())
            current_a = rail.load * end_v / rail.nominal
            if self.electronic_load is not None and self.electronic_load.settings.rail == name:
                current_a += self.electronic_load.current_at_v(end_v)
            power_w += current_a * end_v / efficiency
        return power_w

    def _rail_supply(self, settings: RailSupplySettings, output: MovedOutput, timeline: Timeline) -> Supply:
        rail = self._rails[settings.rail]
        if "voltage" not in settings.model_fields_set:
            settings = settings.model_copy(update={"voltage": rail.nominal})

        def power_w(voltage_v: float) -> float:
            current_a = rail.load * voltage_v / rail.nominal
            if self.electronic_load is not None and self.electronic_load.settings.rail == rail.name:
                current_a += self.electronic_load.current_at_v(voltage_v)
            return current_a * voltage_v

        made: list[Supply] = []
        made.append(
            Supply(
                settings,
                output=output,
                # What the rail would draw where the supply is set: it tells whether the limit is reached.
                power_w=lambda: power_w(made[0].voltage_v if made else settings.voltage),
                timeline=timeline,
                clock=self._clock,
                seed=self._seed,
            )
        )
        return made[0]

    def _sinks_otherwise(self, at_s: float) -> None:
        load = self.electronic_load
        if load is None:
            return  # it is being built
        if self._load_changed is not None:
            self._load_changed(load.settings.rail, load.current_a(at_s), at_s)
        if self.supply is not None:
            self.supply.board_changed(at_s)
        for supply in self.rail_supplies.values():
            if isinstance(supply.settings, RailSupplySettings) and supply.settings.rail == load.settings.rail:
                supply.board_changed(at_s)

    def _opened(self, name: str) -> TextInstrument:
        settings: InstrumentSettings
        entries: tuple[Entry, ...]
        reset: Callable[[], None]
        done_s: Callable[[], float] | None = None
        refresh: Callable[[], None] | None = None
        supply = self.supply if name == "supply" else self.rail_supplies.get(name)
        if supply is not None:
            settings, entries, reset = supply.settings, supply_entries(supply), supply.reset
            refresh = supply.refresh
        elif name == "electronic_load" and self.electronic_load is not None:
            load = self.electronic_load
            settings, entries, reset = load.settings, load_entries(load), load.reset
        elif name == "chamber" and self.chamber is not None:
            settings, entries, reset = self.chamber.settings, chamber_entries(self.chamber), self.chamber.reset
            done_s, refresh = self.chamber.done_s, self.chamber.refresh
        elif name == "clock_generator" and self.clock_generator is not None:
            generator = self.clock_generator
            settings, entries, reset = generator.settings, generator_entries(generator), generator.reset
        else:
            raise KeyError(name)
        engine = InstrumentEngine(
            identity=settings.identity,
            entries=entries,
            clock=self._clock,
            reset=reset,
            done_s=done_s,
            refresh=refresh,
            latency_s=settings.latency,
        )
        return with_faults(engine, settings.faults, clock=self._clock, seed=self._seed, name=name)
