"""The field types of every YAML file: text with a unit in, SI float out.

Files reach a model as text, whatever YAML would make of it. A model writes ``int``, ``float``, ``bool`` and ``date``,
and `FileModel` reads them strictly; `Whole`, `Number`, `Flag` and `Day` do the same inside lists and mappings.
"""

import re
import types
from collections.abc import Callable
from datetime import date
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from cornerrun.errors import UnitError
from cornerrun.units import Kind, pattern, quantity

__all__ = [
    "Amperes",
    "Day",
    "Degrees",
    "FileModel",
    "Flag",
    "Hertz",
    "KelvinsPerSecond",
    "Kind",
    "Name",
    "Number",
    "Ohms",
    "PerKelvin",
    "Ratio",
    "Seconds",
    "Text",
    "Volts",
    "VoltsPerSecond",
    "Watts",
    "Whole",
    "refusal",
]

_WHOLE = re.compile(r"[+-]?(?:0|[1-9][0-9]*)|0x[0-9a-fA-F]+")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LONGEST_NUMBER = 40  # chosen: longer ones are no figure that a person wrote


def refusal(came: str, advice: str) -> PydanticCustomError:
    """Build the error that a validator raises: what came, and what to write."""
    return PydanticCustomError("refusal", "{came}; {advice}", {"came": came, "advice": advice})


def _whole(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    text = raw.strip()
    if len(text) > _LONGEST_NUMBER or not _WHOLE.fullmatch(text):
        bare = text.lstrip("+-").lstrip("0")
        example = f"{bare!r}, without leading zeros" if bare.isascii() and bare.isdigit() else "like '12' or '0x40'"
        raise refusal(f"{_short(raw)} is no whole number", f"write it {example}")
    return int(text, 0)


def _number(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    text = raw.strip()
    if len(text) > _LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        hint = (
            "use a decimal point, not a comma" if re.match(r"[+-]?\d+,\d", text) else "write it like '0.95' or '3e12'"
        )
        raise refusal(f"{_short(raw)} is no number", hint)
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise refusal(f"{_short(raw)} is not finite", "write a smaller number")
    return value


def _flag(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    if raw.strip().lower() not in ("true", "false"):
        raise refusal(f"{_short(raw)} is neither true nor false", "write 'true' or 'false'")
    return raw.strip().lower() == "true"


def _day(raw: object) -> object:
    if not isinstance(raw, str):
        return raw
    text = raw.strip()
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
            return date.fromisoformat(text)
    except ValueError as error:
        raise refusal(f"{_short(raw)} is no day of the calendar", "write it like '2026-03-01'") from error
    raise refusal(f"{_short(raw)} is no date", "write year, month and day like '2026-03-01'")


def _short(raw: str) -> str:
    return repr(raw if len(raw) <= _LONGEST_NUMBER else raw[: _LONGEST_NUMBER - 3] + "...")


_READERS: dict[type, Callable[[object], object]] = {int: _whole, float: _number, bool: _flag, date: _day}


class FileModel(BaseModel):
    """The base of every section of a file: unknown keys are errors, names with a dash or space are not guessed."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _read_text(cls, raw: object, info: ValidationInfo) -> object:
        """Read the plain annotations int, float, bool and date, with or without None, strictly from text."""
        field = cls.model_fields.get(info.field_name or "")
        if field is None or any(isinstance(item, BeforeValidator) for item in field.metadata):
            return raw
        options = get_args(field.annotation) if _is_union(field.annotation) else (field.annotation,)
        readers = [_READERS[option] for option in options if isinstance(option, type) and option in _READERS]
        return readers[0](raw) if len(readers) == 1 and str not in options else raw


def _is_union(annotation: object) -> bool:
    return get_origin(annotation) in (Union, types.UnionType)


def _reader(kind: Kind) -> BeforeValidator:
    def read(raw: object) -> float:
        if not isinstance(raw, str):
            raise refusal("a quantity with its unit as text is due", f"write it like {kind.example!r}")
        try:
            return quantity(raw, kind)
        except UnitError as error:
            came, _, advice = str(error).rpartition("; ")
            raise refusal(came, advice) from error

    written = Annotated[str, Field(pattern=pattern(kind), examples=[kind.example])]
    return BeforeValidator(read, json_schema_input_type=written)


def _text(raw: object) -> object:
    if isinstance(raw, str) and not raw.strip():
        raise refusal("is blank", "write a text")
    return raw


def _name(raw: object) -> object:
    if isinstance(raw, str) and not raw.strip().isprintable():
        raise refusal(
            f"{_short(raw)} holds characters that cannot be printed", "write a name in one line, without them"
        )
    return _text(raw)


# Any: what json_schema_input_type takes is a type, which mypy cannot name where it is built from parts.
def _read_as(reader: Callable[[object], object], written: Any) -> BeforeValidator:
    return BeforeValidator(reader, json_schema_input_type=written)


Volts = Annotated[float, _reader(Kind.VOLTAGE)]
Amperes = Annotated[float, _reader(Kind.CURRENT)]
Watts = Annotated[float, _reader(Kind.POWER)]
Seconds = Annotated[float, _reader(Kind.TIME)]
Hertz = Annotated[float, _reader(Kind.FREQUENCY)]
Ohms = Annotated[float, _reader(Kind.RESISTANCE)]
Degrees = Annotated[float, _reader(Kind.TEMPERATURE)]
Ratio = Annotated[float, _reader(Kind.RATIO)]
VoltsPerSecond = Annotated[float, _reader(Kind.SLEW)]
KelvinsPerSecond = Annotated[float, _reader(Kind.TEMPERATURE_RATE)]
PerKelvin = Annotated[float, _reader(Kind.TEMPERATURE_COEFFICIENT)]
Whole = Annotated[int, _read_as(_whole, int)]
Number = Annotated[float, _read_as(_number, float)]
Flag = Annotated[bool, _read_as(_flag, bool)]
Day = Annotated[date, _read_as(_day, date)]
Text = Annotated[str, _read_as(_text, str), StringConstraints(strip_whitespace=True, max_length=1000)]
Name = Annotated[str, _read_as(_name, str), StringConstraints(strip_whitespace=True, max_length=80)]
