"""The JSON Schema of the report as JSON, made from the nouns themselves, so that the two cannot part."""

import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from cornerrun.report.machine import FORMAT
from cornerrun.report.summary_model import Summary

__all__ = ["report_schema"]

Schema = dict[str, Any]  # Any: whatever a JSON Schema holds


def report_schema() -> Schema:
    """Make the schema (draft 2020-12) of what `cornerrun report --json` prints.

    Every member is required, so that a reader may count on it; further members may come without notice, and ``format``
    counts up when one changes its meaning or goes. A number that is not measured, or not finite, is null.
    """
    shared: Schema = {}
    top = _record(Summary, shared)
    top["properties"] = {"format": {"const": FORMAT}, **top["properties"]}
    top["required"] = ["format", *top["required"]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "cornerrun report",
        **top,
        "$defs": dict(sorted(shared.items())),
    }


def _record(kind: type, shared: Schema) -> Schema:
    hints = get_type_hints(kind)
    properties: Schema = {field.name: _schema(hints[field.name], shared) for field in fields(kind)}
    for name, member in vars(kind).items():
        if isinstance(member, property) and member.fget is not None:
            properties[name] = _schema(get_type_hints(member.fget)["return"], shared)
            if member.__doc__:
                properties[name] = {**properties[name], "description": _first_line(member.__doc__)}
    about = " ".join((kind.__doc__ or "").split())
    return {"type": "object", "description": about, "properties": properties, "required": list(properties)}


def _schema(kind: Any, shared: Schema) -> Schema:  # Any: a type in any spelling
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema(argument, shared) for argument in arguments]}
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin is tuple:
        return _array(arguments, shared)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        made: Schema = {"type": "object", "additionalProperties": _schema(arguments[1], shared)}
        names = arguments[0]
        if isinstance(names, type) and issubclass(names, Enum):
            made["propertyNames"] = {"enum": [member.value for member in names]}
        return made
    if isinstance(kind, type) and is_dataclass(kind):
        if kind.__name__ not in shared:
            shared[kind.__name__] = {}  # holds the place of a noun that holds itself
            shared[kind.__name__] = _record(kind, shared)
        return {"$ref": f"#/$defs/{kind.__name__}"}
    return _scalar(kind)


def _array(arguments: tuple[Any, ...], shared: Schema) -> Schema:  # Any: types in any spelling
    if len(arguments) == 2 and arguments[1] is Ellipsis:
        return {"type": "array", "items": _schema(arguments[0], shared)}
    items = [_schema(argument, shared) for argument in arguments]
    return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}


def _scalar(kind: Any) -> Schema:  # Any: a type in any spelling
    if kind is type(None):
        return {"type": "null"}
    if isinstance(kind, type) and issubclass(kind, Enum):
        return {"enum": [member.value for member in kind]}
    plain: dict[Any, Schema] = {
        bool: {"type": "boolean"},
        int: {"type": "integer"},
        float: {"type": ["number", "null"]},
        str: {"type": "string"},
        Path: {"type": "string"},
        datetime: {"type": "string", "format": "date-time"},
        date: {"type": "string", "format": "date"},
    }
    if kind not in plain:
        raise TypeError(f"{kind!r} has no place in a summary")
    return plain[kind]


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0]
