"""The bounded quantities that the sections of a simulation file share."""

from typing import Annotated

from pydantic import Field

from cornerrun.plan.fields import Hertz, Ohms, Ratio, Seconds, Volts, Whole

__all__ = [
    "Natural",
    "PositiveHertz",
    "PositiveSeconds",
    "PositiveVolts",
    "Share",
    "Word",
    "ZeroOrMoreOhms",
    "ZeroOrMoreSeconds",
    "ZeroOrMoreVolts",
]

Word = Annotated[Whole, Field(ge=0, le=0xFFFF)]
Natural = Annotated[Whole, Field(ge=0)]
PositiveSeconds = Annotated[Seconds, Field(gt=0)]
ZeroOrMoreSeconds = Annotated[Seconds, Field(ge=0)]
PositiveVolts = Annotated[Volts, Field(gt=0)]
ZeroOrMoreVolts = Annotated[Volts, Field(ge=0)]
ZeroOrMoreOhms = Annotated[Ohms, Field(ge=0)]
PositiveHertz = Annotated[Hertz, Field(gt=0)]
Share = Annotated[Ratio, Field(ge=0, le=1)]
