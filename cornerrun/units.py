"""Text with a unit <-> SI floats; no other module knows a prefix."""

import math
import re
from enum import Enum
from typing import ClassVar

from cornerrun.errors import UnitError

__all__ = ["Kind", "kind_of", "pattern", "quantity", "show"]


class Kind(Enum):
    """What a field measures: its SI unit and the texts accepted for it, each with its factor."""

    VOLTAGE = ("V", "850 mV")
    CURRENT = ("A", "1.5 A")
    POWER = ("W", "12 W")
    TIME = ("s", "60 ms")
    FREQUENCY = ("Hz", "400 kHz")
    RESISTANCE = ("Ohm", "2 mOhm")
    TEMPERATURE = ("degC", "25 degC")
    RATIO = ("", "5 %")
    SLEW = ("V/s", "1 V/ms")
    TEMPERATURE_COEFFICIENT = ("1/K", "5 ppm/K")
    TEMPERATURE_RATE = ("K/s", "3 K/min")

    def __init__(self, unit: str, example: str) -> None:
        self.unit = unit
        self.example = example

    @property
    def written_unit(self) -> str:
        """The unit as it stands in the example: what a bare number most likely lacks."""
        return self.unit or "%"


_PREFIXES = {"": 1.0, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9}


def _prefixed(unit: str, prefixes: str = "numkMG", *aliases: str) -> dict[str, float]:
    return {p + name: f for name in (unit, *aliases) for p, f in _PREFIXES.items() if p in prefixes or p in "µμ"}


class _Texts:
    """The unit texts of each kind; built once, never changed."""

    factors: ClassVar[dict[Kind, dict[str, float]]] = {
        Kind.VOLTAGE: _prefixed("V", "num k"),
        Kind.CURRENT: _prefixed("A", "numk"),
        Kind.POWER: _prefixed("W", "num k"),
        Kind.TIME: _prefixed("s", "num") | {"min": 60.0, "h": 3600.0},
        Kind.FREQUENCY: _prefixed("Hz", "mkMG"),
        Kind.RESISTANCE: _prefixed("Ohm", "numkMG", "\u03a9", "\u2126"),
        Kind.TEMPERATURE: {"degC": 1.0, "°C": 1.0},
        Kind.RATIO: {"%": 1e-2, "ppm": 1e-6, "ppb": 1e-9, "per mil": 1e-3},
        Kind.SLEW: {
            f"{p}V/{t}": f / s for p, f in _PREFIXES.items() for t, s in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6))
        },
        Kind.TEMPERATURE_COEFFICIENT: {"ppm/K": 1e-6, "ppm/degC": 1e-6, "ppm/°C": 1e-6, "%/K": 1e-2, "1/K": 1.0},
        Kind.TEMPERATURE_RATE: {
            f"{k}/{t}": 1.0 / s for k in ("K", "degC", "°C") for t, s in (("s", 1.0), ("min", 60.0), ("h", 3600.0))
        },
    }


_NUMBER_TEXT = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_NUMBER = re.compile(rf"({_NUMBER_TEXT})(\s+1/K|\s*[^\s0-9.,].*)?\s*")
_DECIMAL_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)\s*([^0-9,.].*)?")
_MINUS_SIGNS = str.maketrans({"\u2212": "-", "\u2013": "-", "\u2011": "-"})
_LONGEST = 60  # chosen: no quantity that a person wrote is longer


def quantity(text: str, kind: Kind) -> float:
    """Read a quantity as an SI float: "850 mV" -> 0.85.

    A decimal comma, ``nan``, ``inf``, a bare number and a unit of another kind are refused.

    Raises:
        UnitError: says what came, then, after a semicolon, what to write.

    """
    stripped = text.strip()
    shown = repr(text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "...")
    example = f"write it like {kind.example!r}"
    match = _NUMBER.fullmatch(stripped) if len(stripped) <= _LONGEST else None
    if match is None:
        raise UnitError(f"{shown} is no quantity; {_mended(stripped, example)}")
    number, unit = float(match[1]), (match[2] or "").strip()
    if not math.isfinite(number):
        raise UnitError(f"{shown} is not finite; {example}")
    if not unit:
        raise UnitError(f"{shown} has no unit; write it like '{match[1]} {kind.written_unit}'")
    factor = _Texts.factors[kind].get(unit)
    if factor is None:
        raise UnitError(f"{shown}: unit {unit!r} does not fit here; {_unit_advice(unit, kind)}")
    value = _scaled(number, match[1], factor)
    if not math.isfinite(value):
        raise UnitError(f"{shown} is not finite; {example}")
    return value


def kind_of(unit: str) -> Kind | None:
    """Tell what a unit text measures: "mV" is a voltage; None for an unknown one."""
    return next((kind for kind, factors in _Texts.factors.items() if unit.strip() in factors), None)


def pattern(kind: Kind) -> str:
    """Write a regular expression for the texts of a kind, for JSON Schema."""
    units = sorted(_Texts.factors[kind], key=lambda unit: (-len(unit), unit))
    # A unit that begins with a digit needs a blank before it; an escaped blank is no regular expression of JSON Schema.
    blanks = {True: r"\s+", False: r"\s*"}
    spelled = "|".join(blanks[unit[0].isdigit()] + re.escape(unit).replace("\\ ", " ") for unit in units)
    return rf"^\s*{_NUMBER_TEXT}(?:{spelled})\s*$"


def _mended(text: str, example: str) -> str:
    comma = _DECIMAL_COMMA.fullmatch(text)
    if comma is not None:
        whole, decimals, unit = comma[1], comma[2], (comma[3] or "").strip()
        return f"use a decimal point, not a comma: '{whole}.{decimals}{' ' + unit if unit else ''}'"
    plain_signs = text.translate(_MINUS_SIGNS)
    if plain_signs != text and _NUMBER.fullmatch(plain_signs):
        return f"use a plain minus sign: {plain_signs!r}"
    return example


_OTHER_SPELLINGS = {
    "volt": "V", "volts": "V", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "minutes": "min",
    "mins": "min", "hour": "h", "hours": "h", "hr": "h", "percent": "%", "pct": "%", "c": "degC", "deg c": "degC",
    "celsius": "degC", "amp": "A", "amps": "A", "watt": "W", "watts": "W", "hertz": "Hz", "ohms": "Ohm",
}  # fmt: skip


def _unit_advice(unit: str, kind: Kind) -> str:
    known = _Texts.factors[kind]
    meant = _OTHER_SPELLINGS.get(unit.casefold())
    if meant in known:
        return f"write {meant!r}"
    # "mv" may be mV or MV: of units that differ in case only, the one with more lower-case letters is meant.
    alike = sorted((k for k in known if k.casefold() == unit.casefold()), key=lambda k: sum(map(str.isupper, k)))
    if alike:
        return f"letter case counts: write {alike[0]!r}"
    return f"write it like {kind.example!r}"


def _scaled(number: float, digits: str, factor: float) -> float:
    """Scale by a power of ten in decimal, so that "850 mV" is exactly the float 0.85."""
    exponent = round(math.log10(factor))
    if math.isclose(10.0**exponent, factor, rel_tol=1e-12):
        mantissa, _, power = digits.lower().partition("e")
        return float(f"{mantissa}e{int(power or 0) + exponent}")
    return number * factor


_SHOW_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))


def show(value: float, kind: Kind, *, digits: int = 5) -> str:
    """Write an SI float for a person: 0.85 -> "850 mV", 0.0025 as a ratio -> "0.25 %".

    ``digits`` counts significant digits. Nothing here is parsed back.
    """
    if not math.isfinite(value):
        return str(value)
    if kind is Kind.RATIO:
        scaled, unit = (value * 1e6, "ppm") if 0 < abs(value) < 1e-4 else (value * 1e2, "%")
        return f"{scaled:.{digits}g} {unit}"
    if kind in (Kind.TEMPERATURE, Kind.SLEW, Kind.TEMPERATURE_COEFFICIENT, Kind.TEMPERATURE_RATE):
        return f"{value:.{digits}g} {kind.unit}"
    if kind is Kind.TIME and abs(value) >= 120:
        minutes, seconds = divmod(round(abs(value)), 60)
        hours, minutes = divmod(minutes, 60)
        sign = "-" if value < 0 else ""
        return f"{sign}{hours} h {minutes:02d} min" if hours else f"{sign}{minutes} min {seconds:02d} s"
    magnitude = abs(float(f"{value:.{digits - 1}e}")) if value else 0.0
    for factor, prefix in _SHOW_PREFIXES:
        if magnitude >= factor * (1 - 1e-12) and not (kind is Kind.VOLTAGE and factor > 1):
            return f"{value / factor:.{digits}g} {prefix}{kind.unit}"
    return f"{value:.{digits}g} {kind.unit}"
