"""A simulated programmable supply that feeds the board: current limit, protection, and its SCPI text."""

from collections.abc import Callable
from functools import partial
from typing import Annotated, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.draws import normal
from cornerrun.bench.simulated.instruments.engine import Entry, entry, real, shown, switchable
from cornerrun.bench.simulated.instruments.identity import InstrumentSettings
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.status import Refusal
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.plan.fields import Amperes, Name, Ratio, Seconds, Volts, Watts, refusal

__all__ = ["PowerSupplySettings", "RailSupplySettings", "Supply", "SupplyCondition", "supply_entries"]

# QUEStionable bits 0 VOLTage and 1 CURRent: SCPI-99 volume 1 section 9.4 (from memory).
_OVER_VOLTAGE, _OVER_CURRENT = 0x01, 0x02
# OPERation bits 8 and 10: constant voltage and constant current (common practice, no source).
_CONSTANT_VOLTAGE, _CONSTANT_CURRENT = 0x100, 0x400
PositiveVolts = Annotated[Volts, Field(gt=0)]
PositiveAmperes = Annotated[Amperes, Field(gt=0)]
ZeroOrMoreSeconds = Annotated[Seconds, Field(ge=0)]


class PowerSupplySettings(InstrumentSettings):
    """The section ``supply`` of a simulation file: what feeds the board, as it stands when the bench starts.

    ``voltage`` and ``current_limit`` are set then, and the output is on. ``over_voltage`` trips at that setting;
    ``over_current`` makes the current limit a protection that trips after ``delay``. ``rise`` is the time constant of
    the output. The board draws the power of its rails over ``efficiency``, and ``idle``.
    """

    model: str = "supply"
    voltage: PositiveVolts = 12.0
    current_limit: PositiveAmperes = 20.0
    highest_voltage: PositiveVolts = 36.0
    highest_current: PositiveAmperes = 30.0
    over_voltage: PositiveVolts | None = None
    over_current: bool = False
    delay: ZeroOrMoreSeconds = 0.05
    rise: ZeroOrMoreSeconds = 0.005
    fall: ZeroOrMoreSeconds = 0.02
    readback_error: Ratio = 0.0005
    readback_noise: Annotated[Volts, Field(ge=0)] = 0.001
    efficiency: Annotated[Ratio, Field(gt=0, le=1)] = 0.85
    idle: Annotated[Watts, Field(ge=0)] = 1.0
    band: PositiveVolts = 0.05

    @model_validator(mode="after")
    def _can_do_what_it_starts_with(self) -> Self:
        if self.voltage > self.highest_voltage or self.current_limit > self.highest_current:
            raise refusal("it starts beyond what it can do", "raise 'highest_voltage' or 'highest_current'")
        return self


class RailSupplySettings(PowerSupplySettings):
    """A supply that makes one rail of the board, at the rail's nominal unless ``voltage`` says otherwise."""

    model: str = "rail supply"
    rail: Name
    efficiency: Annotated[Ratio, Field(gt=0, le=1)] = 1.0
    idle: Annotated[Watts, Field(ge=0)] = 0.0


class Supply:
    """Regulates its output: constant voltage, or constant current where the board draws more than it may.

    The board's regulators draw constant power; where the supply cannot give it, they run out of input and behave as a
    resistor (chosen): V = I_limit V_set^2 / P. ``power_w`` tells what the board draws once its rails have settled.
    """

    def __init__(
        self,
        settings: PowerSupplySettings,
        *,
        output: MovedOutput,
        power_w: Callable[[], float],
        timeline: Timeline,
        clock: Clock,
        seed: int = 0,
    ) -> None:
        self.settings = settings
        self.voltage_v = settings.voltage
        self.limit_a = settings.current_limit
        self.over_voltage_v = settings.highest_voltage * 1.1 if settings.over_voltage is None else settings.over_voltage
        self.has_over_current = settings.over_current
        self.is_on = True
        self.tripped = 0
        self.is_limiting = False
        self._output = output
        self._power_w = power_w
        self._timeline = timeline
        self._clock = clock
        self._seed = seed
        self._looks = 0
        self._limiting = 0
        self._regulate(clock.now_s(), at_once=True)

    def refresh(self) -> None:
        """Carry out what has become due, such as a trip."""
        self._now_s()

    def board_changed(self, at_s: float) -> None:
        """Take notice, on the timeline, that the board draws something else."""
        self._timeline.at(at_s, self._regulate)

    def set_voltage(self, voltage_v: float) -> None:
        """Program the voltage."""
        self.voltage_v = voltage_v
        self._regulate(self._now_s())

    def set_limit(self, limit_a: float) -> None:
        """Program the current limit."""
        self.limit_a = limit_a
        self._regulate(self._now_s())

    def set_over_voltage(self, level_v: float) -> None:
        """Program the level at which the over-voltage protection trips."""
        self.over_voltage_v = level_v
        self._regulate(self._now_s())

    def set_over_current(self, is_on: bool) -> None:
        """Make the current limit a protection, or a limit only."""
        self.has_over_current = is_on
        self._limiting += 1
        self.is_limiting = False
        self._regulate(self._now_s())

    def switch(self, is_on: bool) -> None:
        """Switch the output; Refusal while a protection is latched."""
        if is_on and self.tripped:
            raise Refusal(-221, "protection has tripped")
        self.is_on = is_on
        self._regulate(self._now_s())

    def clear_trip(self) -> None:
        """Release a latched protection; the output stays off."""
        self.tripped = 0

    def reset(self) -> None:
        """Go to the state of ``*RST``: output off, 0 V, least current limit that lets it start."""
        self.tripped = 0
        self.is_on = False
        self.voltage_v, self.limit_a = 0.0, self.settings.current_limit
        self.has_over_current = self.settings.over_current
        self._regulate(self._now_s())

    def volts(self) -> float:
        """Measure the voltage at the output."""
        self._looks += 1
        noise_v = self.settings.readback_noise
        noise_v = noise_v * normal("supply", self._seed, self._looks) if noise_v else 0.0
        return self._output.voltage_v(self._now_s()) * (1.0 + self.settings.readback_error) + noise_v

    def amperes(self) -> float:
        """Measure the current that the board draws."""
        voltage_v = self._output.voltage_v(self._now_s())
        if not self.is_on or voltage_v <= 0.0:
            return 0.0
        power_w = self._power_w()
        return min(self.limit_a, power_w / voltage_v) if not self.is_limiting else self.limit_a

    def _now_s(self) -> float:
        now_s = self._clock.now_s()
        self._timeline.run_until(now_s)
        return now_s

    def _regulate(self, at_s: float, *, at_once: bool = False) -> None:
        """Work out where the output heads, and whether a protection trips."""
        if self.is_on and self.voltage_v > self.over_voltage_v:
            self._trip(_OVER_VOLTAGE)
        power_w = self._power_w() if self.is_on else 0.0
        was_limiting = self.is_limiting
        self.is_limiting = self.is_on and power_w > self.voltage_v * self.limit_a
        end_v = self.voltage_v if self.is_on else 0.0
        if self.is_limiting:
            end_v = self.limit_a * self.voltage_v**2 / power_w
            if not was_limiting and self.has_over_current:
                self._limiting += 1
                self._timeline.at(at_s + self.settings.delay, partial(self._trip_if_still, self._limiting))
        elif was_limiting:
            self._limiting += 1
        if end_v != self._output.end_v():
            rise_s = self.settings.rise if end_v > self._output.voltage_v(at_s) else self.settings.fall
            self._output.go(at_s, end_v, time_constant_s=0.0 if at_once else rise_s)

    def _trip_if_still(self, limiting: int, at_s: float) -> None:
        if limiting == self._limiting and self.is_limiting and self.has_over_current:
            self._trip(_OVER_CURRENT)
            self._regulate(at_s)

    def _trip(self, bit: int) -> None:
        self.tripped |= bit
        self.is_on = False


class SupplyCondition:
    """The input voltage of the board, as a condition that the plan sets through its supply."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply

    def start(self, target: float) -> None:
        self._supply.set_voltage(target)

    def read(self) -> float:
        return self._supply.volts()

    def has_settled(self) -> bool:
        return abs(self.read() - self._supply.voltage_v) <= self._supply.settings.band

    def release(self) -> None:
        self.start(self._supply.settings.voltage)


def supply_entries(supply: Supply) -> tuple[Entry, ...]:
    """List the commands of a supply (SCPI-99 volume 2, SOURce and OUTPut; volume 4, DC supplies; from memory)."""
    volts, amperes = supply.settings.highest_voltage, supply.settings.highest_current
    level = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]"
    limit = "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]"
    over = "[SOURce:]VOLTage:PROTection[:LEVel]"

    def operation() -> int:
        if not supply.is_on:
            return 0
        return _CONSTANT_CURRENT if supply.is_limiting else _CONSTANT_VOLTAGE

    return (
        entry(level, lambda given: supply.set_voltage(real(given[0], 0.0, volts, "V")), (1, 1)),
        entry(f"{level}?", lambda _: shown(supply.voltage_v)),
        entry(limit, lambda given: supply.set_limit(real(given[0], 0.0, amperes, "A")), (1, 1)),
        entry(f"{limit}?", lambda _: shown(supply.limit_a)),
        entry(over, lambda given: supply.set_over_voltage(real(given[0], 0.0, volts * 1.1, "V")), (1, 1)),
        entry(f"{over}?", lambda _: shown(supply.over_voltage_v)),
        entry("[SOURce:]VOLTage:PROTection:TRIPped?", lambda _: str(int(bool(supply.tripped & _OVER_VOLTAGE)))),
        *switchable("[SOURce:]CURRent:PROTection:STATe", supply.set_over_current, lambda: supply.has_over_current),
        entry("[SOURce:]CURRent:PROTection:TRIPped?", lambda _: str(int(bool(supply.tripped & _OVER_CURRENT)))),
        *switchable("OUTPut[:STATe]", supply.switch, lambda: supply.is_on),
        entry("OUTPut:PROTection:CLEar", lambda _: supply.clear_trip()),
        entry("MEASure[:SCALar][:VOLTage][:DC]?", lambda _: shown(supply.volts())),
        entry("MEASure[:SCALar]:CURRent[:DC]?", lambda _: shown(supply.amperes())),
        entry("MEASure[:SCALar]:POWer[:DC]?", lambda _: shown(supply.volts() * supply.amperes())),
        entry("STATus:OPERation:CONDition?", lambda _: str(operation())),
        entry("STATus:QUEStionable:CONDition?", lambda _: str(supply.tripped)),
    )
