"""The summary as JSON, for programs: the same names, SI units, nothing rounded."""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path

from cornerrun.report.summary_model import Summary
from cornerrun.results.codec import printable_json

__all__ = ["FORMAT", "plain_record", "to_json"]

FORMAT = 1
"""Counts up when a name changes its meaning or goes; new names may come at any time."""


def to_json(summary: Summary, *, indent: int | None = 2) -> str:
    """Write a summary as JSON text (RFC 8259): one object with ``format`` and one member a field of `Summary`.

    Field names are those of the dataclasses, their computed properties included. Times are ISO 8601 with offset. What
    is not measured, and a number that JSON cannot hold, is null. Texts that checks, devices and persons wrote are kept;
    how what no terminal should see is written, `printable_json` says.
    """
    plain = {"format": FORMAT, **_record(summary)}
    return printable_json(plain, indent=indent)


def plain_record(value: object) -> dict[str, object]:
    """Turn any frozen noun of a report into what JSON holds, as `to_json` does."""
    return _record(value)


def _record(value: object) -> dict[str, object]:
    names = [field.name for field in fields(value)]  # type: ignore[arg-type]  # the caller has seen a dataclass
    names += [name for name, member in vars(type(value)).items() if isinstance(member, property)]
    return {name: _plain(getattr(value, name)) for name in names}


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(_plain(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if is_dataclass(value):
        return _record(value)
    return _scalar(value)


def _scalar(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if value is None or isinstance(value, bool | int | str):
        return value
    raise TypeError(f"{type(value).__name__} has no place in a summary")
