"""A simulated reference meter with a scanner, at the level of SCPI text."""

from typing import Annotated

from pydantic import Field

from cornerrun.plan.fields import FileModel, Hertz, Ratio, Seconds, Volts

__all__ = ["SimulatedMeterSettings"]


class SimulatedMeterSettings(FileModel):
    """The section ``meter`` of a simulation file: who the meter says it is, and how wrong it is.

    ``gain_error`` and ``offset`` are its true errors, which no reading reveals; they should lie inside the
    specification that the bench file states. ``noise`` is the standard deviation of a reading of one power-line cycle;
    it falls with the square root of the aperture. ``channel_offset`` is the standard deviation of the thermal voltages
    of the scanner's relays. ``hum`` is the amplitude of line-frequency pick-up, which whole cycles average away.
    """

    maker: str = "SIMULATED"
    model: str = "DMM-6 scanner"
    serial: str = "SIM0001"
    firmware: str = "1.0"
    line: Annotated[Hertz, Field(gt=0)] = 50.0
    gain_error: Ratio = 0.0
    offset: Volts = 0.0
    noise: Annotated[Volts, Field(ge=0)] = 1e-6
    channel_offset: Annotated[Volts, Field(ge=0)] = 0.0
    hum: Annotated[Volts, Field(ge=0)] = 0.0
    relay: Annotated[Seconds, Field(ge=0)] = 0.005
    seed: int = 0
