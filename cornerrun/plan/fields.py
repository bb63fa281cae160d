"""The field types of every YAML file: text with a unit in, SI float out."""

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict

from cornerrun.errors import UnitError
from cornerrun.units import Kind, quantity

__all__ = [
    "Amperes",
    "Degrees",
    "FileModel",
    "Hertz",
    "Kind",
    "Ohms",
    "PerKelvin",
    "Ratio",
    "Seconds",
    "Volts",
    "VoltsPerSecond",
    "Watts",
]


class FileModel(BaseModel):
    """The base of every section of a file: unknown keys are errors, names with a dash or space are not guessed."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


def _reader(kind: Kind) -> BeforeValidator:
    def read(raw: object) -> float:
        if not isinstance(raw, str):
            raise ValueError(f"a quantity with its unit as text is due; write it like {kind.example!r}")
        try:
            return quantity(raw, kind)
        except UnitError as error:
            raise ValueError(str(error)) from error

    return BeforeValidator(read, json_schema_input_type=str)


Volts = Annotated[float, _reader(Kind.VOLTAGE)]
Amperes = Annotated[float, _reader(Kind.CURRENT)]
Watts = Annotated[float, _reader(Kind.POWER)]
Seconds = Annotated[float, _reader(Kind.TIME)]
Hertz = Annotated[float, _reader(Kind.FREQUENCY)]
Ohms = Annotated[float, _reader(Kind.RESISTANCE)]
Degrees = Annotated[float, _reader(Kind.TEMPERATURE)]
Ratio = Annotated[float, _reader(Kind.RATIO)]
VoltsPerSecond = Annotated[float, _reader(Kind.SLEW)]
PerKelvin = Annotated[float, _reader(Kind.TEMPERATURE_COEFFICIENT)]
