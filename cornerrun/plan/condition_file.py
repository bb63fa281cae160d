"""The section of a plan file that says what is set besides rails."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from cornerrun.plan.fields import Degrees, FileModel, Name, Ratio, Seconds, Text, refusal

__all__ = ["ALL_RAILS", "AllowFile", "ConditionFile", "DewPointFile", "SettleAtFile", "SettleChangeFile"]

ALL_RAILS = "all rails"
_FIGURES = ("band", "stable_for", "timeout")


class AllowFile(FileModel):
    """Levels that rails may take at one level of a condition: of every rail, or by rail or group."""

    rails: dict[Name, tuple[Name, ...]]

    @model_validator(mode="before")
    @classmethod
    def _list_alone(cls, raw: object) -> object:
        if isinstance(raw, list | tuple):
            return {"rails": {ALL_RAILS: raw}}
        if isinstance(raw, dict):
            return {"rails": raw}
        raise refusal("allows nothing that is known", "write levels like [nominal, low], or {RAIL: [low]}")

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        del schema, handler
        names = {"type": "array", "items": {"type": "string"}}
        return {"anyOf": [names, {"type": "object", "additionalProperties": names}]}


class SettleChangeFile(FileModel):
    """How a rail settles at one level of a condition, as far as it differs."""

    band: Annotated[Ratio, Field(gt=0, lt=1)] | None = None
    stable_for: Annotated[Seconds, Field(gt=0)] | None = None
    timeout: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["5 s"])

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if all(getattr(self, figure) is None for figure in _FIGURES):
            raise refusal("changes nothing", "write band, stable_for or timeout, as in {timeout: 5 s}")
        return self


class SettleAtFile(FileModel):
    """How rails settle at one level of a condition: every rail, or by rail or group."""

    rails: dict[Name, SettleChangeFile]

    @model_validator(mode="before")
    @classmethod
    def _figures_alone(cls, raw: object) -> object:
        if not isinstance(raw, dict) or not raw:
            raise refusal("changes nothing", "write figures like {timeout: 5 s}, or {RAIL: {timeout: 5 s}}")
        if all(isinstance(value, dict) for value in raw.values()):
            return {"rails": raw}
        return {"rails": {ALL_RAILS: raw}}

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        by_rail = handler.resolve_ref_schema(handler(schema))["properties"]["rails"]
        return {"anyOf": [by_rail["additionalProperties"], by_rail]}


class DewPointFile(FileModel):
    """At which temperature water settles: stated, or told by the temperature and relative humidity of the air."""

    at: Degrees | None = None
    temperature: Annotated[Degrees, Field(ge=-45, le=60)] | None = Field(default=None, examples=["23 degC"])
    humidity: Annotated[Ratio, Field(gt=0, le=1)] | None = Field(default=None, examples=["45 %"])

    @model_validator(mode="before")
    @classmethod
    def _temperature_alone(cls, raw: object) -> object:
        return {"at": raw} if isinstance(raw, str) else raw

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.temperature is None) != (self.humidity is None) or (self.at is None) == (self.temperature is None):
            raise refusal(
                "tells no dew point", "write it like '11 degC', or {temperature: 23 degC, humidity: 45 %} of the room"
            )
        return self

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        room = dict(handler.resolve_ref_schema(handler(schema)))
        return {"anyOf": [room["properties"]["temperature"]["anyOf"][0], room]}


def _cold_boots(raw: object) -> object:
    if isinstance(raw, str) and raw.strip().lower() in ("true", "false"):
        return raw.strip().lower() == "true"
    if isinstance(raw, list | tuple):
        return raw
    raise refusal("tells no levels", "write 'cold_boot: true', or the levels, as in [cold]")


# Any: what json_schema_input_type takes is a type built from parts.
_COLD_BOOTS: Any = bool | list[str]
ColdBoots = Annotated[
    bool | tuple[Name, ...],
    BeforeValidator(_cold_boots, json_schema_input_type=_COLD_BOOTS),
    Field(examples=["[cold]"]),
]


class ConditionFile(FileModel):
    """What is set besides rails, and its levels, each with its unit; and what holds only at some of them."""

    name: Name = Field(examples=["ambient"])
    unit: Literal["degC", "V", "A", "W", "Hz", "s", "Ohm", "%"] | None = None
    levels: dict[Name, Text] = Field(min_length=1, examples=["{cold: 0 degC, room: 25 degC}"])
    allow: dict[Name, AllowFile] = Field(default_factory=dict, examples=["{hot: [low]}"])
    settle_at: dict[Name, SettleAtFile] = Field(default_factory=dict, examples=["{cold: {timeout: 5 s}}"])
    ramp: Text | None = Field(default=None, examples=["2 K/min"])
    cold_boot: ColdBoots = False
    rest: Text | None = Field(default=None, examples=["25 degC"])
    dew_point: DewPointFile | None = None
    takes: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["40 min"])
