"""Levels and margins as a person writes them: per cent of nominal, or volts."""

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from cornerrun.errors import UnitError
from cornerrun.plan.fields import FileModel, Number, refusal
from cornerrun.units import Kind, pattern, quantity

__all__ = ["Amount", "AmountText", "MarginFile", "Probability"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Amount:
    """A share of nominal or an absolute voltage; one of the two is None. ``text`` is what was written."""

    text: str
    ratio: float | None = None
    volts: float | None = None

    def level_v(self, nominal_v: float) -> float:
        """The voltage of a level: the absolute one, or nominal changed by the share."""
        if self.volts is not None:
            return self.volts
        return nominal_v * (1.0 + (self.ratio or 0.0))


def _amount(raw: object) -> object:
    if not isinstance(raw, str):
        return raw if isinstance(raw, Amount) else _refuse_shape()
    last = raw.strip()[-1:]
    try:
        if last == "V":
            return Amount(text=raw.strip(), volts=quantity(raw, Kind.VOLTAGE))
        return Amount(text=raw.strip(), ratio=quantity(raw, Kind.RATIO))
    except UnitError as error:
        came, _, advice = str(error).rpartition("; ")
        if advice.startswith("write it like"):
            bare = re.fullmatch(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?", raw.strip())
            number = raw.strip() if bare else None
            advice = f"write '{number} %' or '{number} V'" if number else "write it like '5 %' or '1.26 V'"
        raise refusal(came, advice) from error


def _refuse_shape() -> object:
    raise refusal("per cent or volts are due", "write it like '5 %' or '1.26 V'")


_WRITTEN = Annotated[str, Field(pattern=f"{pattern(Kind.RATIO)}|{pattern(Kind.VOLTAGE)}", examples=["5 %", "1.26 V"])]
AmountText = Annotated[Amount, BeforeValidator(_amount, json_schema_input_type=_WRITTEN)]


class MarginFile(FileModel):
    """How far a rail is moved: one magnitude for both sides, or one for each."""

    high: AmountText | None = None
    low: AmountText | None = None

    @model_validator(mode="before")
    @classmethod
    def _both_sides(cls, raw: object) -> object:
        if isinstance(raw, str):
            amount = _amount(raw)
            if isinstance(amount, Amount) and amount.volts is not None:
                raise refusal(
                    f"{raw!r} cannot be the margin of both sides",
                    "write {high: ..., low: ...} where a margin is a voltage",
                )
            return {"high": raw, "low": raw}
        return raw

    @model_validator(mode="after")
    def _some_side(self) -> "MarginFile":
        if self.high is None and self.low is None:
            raise refusal("has no value", "write it like '5 %', or leave the key out")
        return self

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        sides = handler.resolve_ref_schema(handler(schema))
        return {"anyOf": [{"type": "string", "pattern": pattern(Kind.RATIO), "examples": ["5 %"]}, dict(sides)]}


def _probability(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    try:
        value = quantity(raw, Kind.RATIO) if raw.strip().endswith("%") else None
    except UnitError as error:
        came, _, advice = str(error).rpartition("; ")
        raise refusal(came, advice) from error
    if value is not None:
        return repr(value)
    if re.fullmatch(r"\s*[0-9]{2}(?:\.[0-9]*)?\s*", raw):
        raise refusal(f"{raw.strip()!r} is no probability", f"write '{raw.strip()} %', or a number below 1")
    return raw


# Any: what json_schema_input_type takes is a type built from parts.
_PROBABILITY_WRITTEN: Any = float | Annotated[str, Field(pattern=r"^\s*[0-9.]+\s*%\s*$", examples=["95 %"])]
Probability = Annotated[
    Number, Field(gt=0, lt=1), BeforeValidator(_probability, json_schema_input_type=_PROBABILITY_WRITTEN)
]
