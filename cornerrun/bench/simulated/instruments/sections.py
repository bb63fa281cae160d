"""The sections of a simulation file that describe instruments beside the meter."""

from typing import Annotated

from pydantic import Field

from cornerrun.bench.simulated.instruments.chamber import ChamberSettings
from cornerrun.bench.simulated.instruments.clock_generator import ClockGeneratorSettings
from cornerrun.bench.simulated.instruments.electronic_load import ElectronicLoadSettings
from cornerrun.bench.simulated.instruments.supply import PowerSupplySettings, RailSupplySettings
from cornerrun.plan.fields import FileModel, Hertz, Name, Seconds

__all__ = ["ClockSettings", "InstrumentSections"]


class ClockSettings(FileModel):
    """The frequency of the board's clock generator: where it rests, how fast it follows, when it counts as reached."""

    start: Annotated[Hertz, Field(gt=0)] = 100e6
    time_constant: Annotated[Seconds, Field(ge=0)] = 0.0
    band: Annotated[Hertz, Field(gt=0)] = 1e3


class InstrumentSections(FileModel):
    """Instruments that speak SCPI as ``meter`` does.

    With a ``supply`` or a ``chamber``, the input voltage or the ambient temperature is what that makes of it.
    ``rail_supplies`` are supplies that make one rail each, by name.
    """

    supply: PowerSupplySettings | None = None
    electronic_load: ElectronicLoadSettings | None = None
    chamber: ChamberSettings | None = None
    clock_generator: ClockGeneratorSettings | None = None
    rail_supplies: dict[Name, RailSupplySettings] = Field(default_factory=dict)
