"""The section of a plan file that asks for a characterisation of trim accuracy."""

from typing import Annotated

from pydantic import AfterValidator, Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from cornerrun.plan.fields import FileModel, Kind, Name, Ratio, Seconds, Volts, Whole, refusal
from cornerrun.units import pattern

__all__ = ["DeclaredFile", "SpanFile", "TrimSweepFile", "WarmUpFile"]


def _odd(number: int) -> int:
    if number % 2 == 0:
        raise refusal(f"{number} setpoints have none in the middle", f"write {number + 1}: nominal is one of them")
    return number


class SpanFile(FileModel):
    """How far setpoints reach on each side, as a share of nominal."""

    low: Annotated[Ratio, Field(gt=0, lt=1)] | None = None
    high: Annotated[Ratio, Field(gt=0, lt=1)] | None = None

    @model_validator(mode="before")
    @classmethod
    def _both_sides(cls, raw: object) -> object:
        return {"low": raw, "high": raw} if isinstance(raw, str) else raw

    @model_validator(mode="after")
    def _some_side(self) -> "SpanFile":
        if self.low is None and self.high is None:
            raise refusal("has no value", "write it like '5 %' or {low: 3 %, high: 5 %}")
        return self

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        sides = handler.resolve_ref_schema(handler(schema))
        return {"anyOf": [{"type": "string", "pattern": pattern(Kind.RATIO), "examples": ["5 %"]}, dict(sides)]}


class WarmUpFile(FileModel):
    """When the board counts as warm: nominal drifts by less than ``drift`` over the time ``over``."""

    drift: Annotated[Ratio, Field(gt=0, lt=1)] = Field(examples=["0.01 %"])
    over: Annotated[Seconds, Field(gt=0)] = Field(examples=["2 min"])
    timeout: Annotated[Seconds, Field(gt=0)] = Field(examples=["60 min"])

    @model_validator(mode="after")
    def _has_time(self) -> "WarmUpFile":
        if self.timeout < self.over:
            raise refusal("times out before its drift can be told", "write a timeout well above 'over'")
        return self


class DeclaredFile(FileModel):
    """A part of the uncertainty that readings cannot show: plus and minus so many volts, anywhere between."""

    name: Name = Field(examples=["ground offset"])
    half_width: Annotated[Volts, Field(gt=0)] = Field(examples=["0.2 mV"])
    rails: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None


class TrimSweepFile(FileModel):
    """Setpoints over the trim range of each rail, visited up and down, repeated."""

    setpoints: Annotated[Whole, Field(ge=3, le=101), AfterValidator(_odd)] = 5
    span: SpanFile | None = None
    rails: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None
    together: bool = True
    repeats: Annotated[Whole, Field(ge=1, le=1000)] = 3
    warm_up: WarmUpFile | None = None
    declared: tuple[DeclaredFile, ...] = ()
