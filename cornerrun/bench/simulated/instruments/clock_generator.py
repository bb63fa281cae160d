"""A simulated generator that clocks the board, and its SCPI text (SCPI-99 volume 2, SOURce:FREQuency; from memory)."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.instruments.engine import Entry, entry, real, shown, switchable
from cornerrun.bench.simulated.instruments.identity import InstrumentSettings
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.clock import Clock
from cornerrun.plan.fields import Hertz, Seconds, refusal

__all__ = ["ClockGenerator", "ClockGeneratorSettings", "generator_entries"]


class ClockGeneratorSettings(InstrumentSettings):
    """The section ``clock_generator`` of a simulation file: what it can do, and how fast its frequency follows."""

    model: str = "clock generator"
    lowest: Annotated[Hertz, Field(gt=0)] = 1e6
    highest: Annotated[Hertz, Field(gt=0)] = 1e9
    time_constant: Annotated[Seconds, Field(ge=0)] = 0.01

    @model_validator(mode="after")
    def _has_a_range(self) -> Self:
        if self.lowest >= self.highest:
            raise refusal("'lowest' is not below 'highest'", "widen the range")
        return self


class ClockGenerator:
    """Sets the frequency of the board's clock; switched off, the board keeps the one of its own."""

    def __init__(self, settings: ClockGeneratorSettings, *, output: MovedOutput, clock: Clock) -> None:
        self.settings = settings
        self.is_on = True
        self.set_hz = self._own_hz = output.end_v()
        self._output = output
        self._clock = clock

    def set(self, frequency_hz: float) -> None:
        """Program the frequency."""
        self.set_hz = frequency_hz
        self._follow()

    def switch(self, is_on: bool) -> None:
        """Switch the output."""
        self.is_on = is_on
        self._follow()

    def reset(self) -> None:
        """Go to the state of ``*RST``: off, at the board's own frequency."""
        self.is_on, self.set_hz = False, self._own_hz
        self._follow()

    def _follow(self) -> None:
        end_hz = self.set_hz if self.is_on else self._own_hz
        self._output.go(self._clock.now_s(), end_hz, time_constant_s=self.settings.time_constant)


def generator_entries(generator: ClockGenerator) -> tuple[Entry, ...]:
    """List the commands of a generator; frequencies in hertz."""
    header = "[SOURce:]FREQuency[:CW]"
    lowest, highest = generator.settings.lowest, generator.settings.highest
    return (
        entry(header, lambda given: generator.set(real(given[0], lowest, highest)), (1, 1)),
        entry(f"{header}?", lambda _: shown(generator.set_hz)),
        *switchable("OUTPut[:STATe]", generator.switch, lambda: generator.is_on),
    )
