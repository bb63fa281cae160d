"""A simulated electronic load on one rail: constant current, resistance or power, protection, and its SCPI text."""

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import Field

from cornerrun.bench.simulated.instruments.engine import Entry, Parameters, entry, real, shown, switchable
from cornerrun.bench.simulated.instruments.identity import InstrumentSettings
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.status import Refusal
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.plan.fields import Amperes, Name, Ohms, Ratio, Volts, Watts

__all__ = ["ElectronicLoad", "ElectronicLoadSettings", "load_entries"]

Mode = Literal["CURR", "RES", "POW"]
_MODES: dict[str, Mode] = {
    "CURR": "CURR", "CURRENT": "CURR", "RES": "RES", "RESISTANCE": "RES", "POW": "POW", "POWER": "POW",
}  # fmt: skip
_OVER_CURRENT, _OVER_POWER = 0x02, 0x08  # QUEStionable bits 1 and 3: SCPI-99 volume 1 section 9.4 (from memory)
_MOST_OHMS = 1e5


class ElectronicLoadSettings(InstrumentSettings):
    """The section ``electronic_load`` of a simulation file: what hangs on a rail beside the board; its input is off.

    It can sink ``highest_current`` and ``highest_power`` and no less than ``least_resistance``, and does so from
    ``least_voltage`` up. Beyond its protection, the input opens and stays open.
    """

    model: str = "electronic load"
    rail: Name
    highest_current: Annotated[Amperes, Field(gt=0)] = 60.0
    highest_power: Annotated[Watts, Field(gt=0)] = 300.0
    least_resistance: Annotated[Ohms, Field(gt=0)] = 0.005
    least_voltage: Annotated[Volts, Field(ge=0)] = 0.1
    readback_error: Ratio = 0.001


class ElectronicLoad:
    """Sinks current from a rail; ``changed`` is called with the time whenever what it sinks changes by command."""

    def __init__(
        self,
        settings: ElectronicLoadSettings,
        *,
        output: Output,
        timeline: Timeline,
        clock: Clock,
        changed: Callable[[float], None],
    ) -> None:
        self.settings = settings
        self._output = output
        self._timeline = timeline
        self._clock = clock
        self._changed = changed
        self.tripped = 0
        self.protection_a = settings.highest_current
        self._put_defaults()

    def current_a(self, at_s: float) -> float:
        """Tell what it sinks at an instant."""
        return self.current_at_v(self._output.voltage_v(at_s))

    def current_at_v(self, voltage_v: float) -> float:
        """Tell what it sinks at a voltage."""
        if not self.is_on or voltage_v < self.settings.least_voltage:
            return 0.0
        if self.is_short:
            wanted_a = voltage_v / self.settings.least_resistance
        elif self.mode == "CURR":
            wanted_a = self.current_set_a
        elif self.mode == "RES":
            wanted_a = voltage_v / self.resistance_set_ohm
        else:
            wanted_a = self.power_set_w / voltage_v
        return min(wanted_a, voltage_v / self.settings.least_resistance, self.settings.highest_current)

    def change(self, attribute: str, value: object) -> None:
        """Change a setting; what it sinks changes at once, unless a protection opens the input."""
        now_s = self._now_s()
        setattr(self, attribute, value)
        current_a = self.current_a(now_s)
        if current_a > self.protection_a:
            self.tripped |= _OVER_CURRENT
        if current_a * self._output.voltage_v(now_s) > self.settings.highest_power:
            self.tripped |= _OVER_POWER
        if self.tripped:
            self.is_on = False
        self._changed(now_s)

    def switch(self, is_on: bool) -> None:
        """Close or open the input; Refusal while a protection is latched."""
        if is_on and self.tripped:
            raise Refusal(-221, "protection has tripped")
        self.change("is_on", is_on)

    def clear_trip(self) -> None:
        """Release a latched protection; the input stays open."""
        self.tripped = 0

    def reset(self) -> None:
        """Go to the state of ``*RST``: input open, 0 A, constant current."""
        self._put_defaults()
        self.tripped = 0
        self._changed(self._now_s())

    def volts(self) -> float:
        """Measure the voltage at the input."""
        return self._output.voltage_v(self._now_s()) * (1.0 + self.settings.readback_error)

    def amperes(self) -> float:
        """Measure the current into the input."""
        return self.current_a(self._now_s()) * (1.0 + self.settings.readback_error)

    def _put_defaults(self) -> None:
        self.is_on = False
        self.is_short = False
        self.mode: Mode = "CURR"
        self.current_set_a = 0.0
        self.resistance_set_ohm = _MOST_OHMS
        self.power_set_w = 0.0
        self.protection_a = self.settings.highest_current

    def _now_s(self) -> float:
        now_s = self._clock.now_s()
        self._timeline.run_until(now_s)
        return now_s


def load_entries(load: ElectronicLoad) -> tuple[Entry, ...]:
    """List the commands of an electronic load (SCPI-99 volume 2, SOURce and INPut; from memory)."""
    settings = load.settings

    def setter(attribute: str, least: float, most: float, unit: str) -> Callable[[Parameters], None]:
        return lambda given: load.change(attribute, real(given[0], least, most, unit))

    def choose(given: Parameters) -> None:
        mode = _MODES.get(given[0].upper())
        if mode is None:
            raise Refusal(-224, given[0][:20])
        load.change("mode", mode)

    level = "[:LEVel][:IMMediate][:AMPLitude]"
    current, resistance, power = (f"[SOURce:]{name}{level}" for name in ("CURRent", "RESistance", "POWer"))
    over = "[SOURce:]CURRent:PROTection[:LEVel]"
    return (
        entry("[SOURce:]FUNCtion[:MODE]", choose, (1, 1)),
        entry("[SOURce:]FUNCtion[:MODE]?", lambda _: load.mode),
        entry(current, setter("current_set_a", 0.0, settings.highest_current, "A"), (1, 1)),
        entry(f"{current}?", lambda _: shown(load.current_set_a)),
        entry(resistance, setter("resistance_set_ohm", settings.least_resistance, _MOST_OHMS, "OHM"), (1, 1)),
        entry(f"{resistance}?", lambda _: shown(load.resistance_set_ohm)),
        entry(power, setter("power_set_w", 0.0, settings.highest_power, "W"), (1, 1)),
        entry(f"{power}?", lambda _: shown(load.power_set_w)),
        entry(over, setter("protection_a", 0.0, settings.highest_current, "A"), (1, 1)),
        entry(f"{over}?", lambda _: shown(load.protection_a)),
        *switchable("INPut[:STATe]", load.switch, lambda: load.is_on),
        *switchable("INPut:SHORt[:STATe]", lambda is_on: load.change("is_short", is_on), lambda: load.is_short),
        entry("INPut:PROTection:CLEar", lambda _: load.clear_trip()),
        entry("MEASure[:SCALar][:VOLTage][:DC]?", lambda _: shown(load.volts())),
        entry("MEASure[:SCALar]:CURRent[:DC]?", lambda _: shown(load.amperes())),
        entry("MEASure[:SCALar]:POWer[:DC]?", lambda _: shown(load.volts() * load.amperes())),
        entry("STATus:QUEStionable:CONDition?", lambda _: str(load.tripped)),
    )
