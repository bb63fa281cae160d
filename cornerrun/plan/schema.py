"""JSON Schemas of the files a person writes, for editors: they accept what the loader accepts.

A schema knows nothing of references between parts; a file that it accepts may still be refused by the loader.
"""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from cornerrun.plan.bench_load import BenchText
from cornerrun.plan.defaults import sections_with_defaults
from cornerrun.plan.files import LimitsFile, PlanFile

__all__ = ["schema_of", "schemas"]

JsonObject = dict[str, Any]  # Any: JSON

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
# The loader reads text, whatever YAML makes of it: an editor's YAML turns 1.10 into a number, 0x40 into 64.
_TEXT = ["string", "number", "boolean"]
_WHOLE = {"type": "string", "pattern": r"^\s*(?:[+-]?(?:0|[1-9][0-9]*)|0x[0-9a-fA-F]+)\s*$"}
_NUMBER = {"type": "string", "pattern": r"^\s*[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*$"}
_FLAG = {"type": "string", "pattern": r"^\s*(?:[Tt][Rr][Uu][Ee]|[Ff][Aa][Ll][Ss][Ee])\s*$"}


def schemas() -> Mapping[str, JsonObject]:
    """Build the schema of each kind of file, by kind."""
    plan = schema_of(PlanFile, "plan")
    plan["properties"]["rails"] = {
        "anyOf": [
            plan["properties"]["rails"],
            {"type": "string", "description": "a CSV file with one row for each rail"},
        ]
    }
    return {"plan": plan, "limits": schema_of(LimitsFile, "limits"), "bench": schema_of(BenchText, "bench")}


def schema_of(model: type[BaseModel], kind: str) -> JsonObject:
    """Build the schema of one model as its file may be written, with ``defaults`` where the loader merges them."""
    raw = model.model_json_schema(mode="validation")
    widened = _widened(raw)
    assert isinstance(widened, dict)
    sections = sections_with_defaults(model) if "defaults" not in model.model_fields else {}
    defaults: JsonObject = {}
    for word, section in sections.items():
        for name in _member_definitions(raw["properties"][section]):
            definition = widened["$defs"][name]
            defaults[word] = _without_required(definition, widened["$defs"], keep=())
            widened["$defs"][name] = _without_required(definition, widened["$defs"], keep=("name",))
    if defaults:
        widened["properties"]["defaults"] = {
            "type": ["object", "null"],
            "properties": defaults,
            "additionalProperties": False,
            "description": "what the members of a section leave out",
        }
    return {"$schema": _DIALECT, **widened, "title": f"cornerrun {kind} file"}


def _widened(node: object) -> object:
    """Accept every spelling of a scalar that the loader accepts."""
    if isinstance(node, list):
        return [_widened(item) for item in node]
    if not isinstance(node, dict):
        return node
    # Bounds of a quantity hold for its SI value, not for its text.
    node = {key: value for key, value in node.items() if key not in ("gt", "ge", "lt", "le")}
    kind = node.get("type")
    if isinstance(node.get("const"), str):
        # An editor's YAML makes the number 1 of what is the text "1" here.
        words = [node["const"], *([int(node["const"])] if node["const"].isdecimal() else [])]
        return {**{key: value for key, value in node.items() if key not in ("const", "type")}, "enum": words}
    if kind == "string" and "pattern" not in node and "enum" not in node and "const" not in node:
        bounds = {key: value for key, value in node.items() if key not in ("type", "format")}
        return {**bounds, "type": _TEXT}
    if kind in ("integer", "number", "boolean") and "enum" not in node:
        spelled = {"integer": _WHOLE, "number": _NUMBER, "boolean": _FLAG}[str(kind)]
        notes = {key: value for key, value in node.items() if key in ("default", "description", "examples", "title")}
        own = {key: value for key, value in node.items() if key not in notes}
        return {**notes, "anyOf": [own, dict(spelled)]}
    return {
        key: {name: _widened(part) for name, part in value.items()}
        if key in ("properties", "$defs") and isinstance(value, dict)
        else value
        if key in ("examples", "default", "enum", "const", "required")
        else _widened(value)
        for key, value in node.items()
    }


def _member_definitions(section: JsonObject) -> tuple[str, ...]:
    """The definitions of what a list or mapping section holds."""
    member = section.get("items") or section.get("additionalProperties")
    reference = member.get("$ref") if isinstance(member, dict) else None
    return () if reference is None else (str(reference).rpartition("/")[2],)


def _without_required(definition: JsonObject, definitions: JsonObject, keep: tuple[str, ...]) -> JsonObject:
    """Let defaults bring what a member, or a section of it, leaves out."""
    relaxed = {key: value for key, value in definition.items() if key != "required"}
    kept = [name for name in definition.get("required", ()) if name in keep]
    if kept:
        relaxed["required"] = kept
    properties = {}
    for name, part in definition.get("properties", {}).items():
        properties[name] = part
        reference = part.get("$ref") or next((o["$ref"] for o in part.get("anyOf", ()) if "$ref" in o), None)
        target = definitions.get(str(reference).rpartition("/")[2]) if reference else None
        if isinstance(target, dict) and "required" in target:
            inner = {key: value for key, value in target.items() if key != "required"}
            others = [o for o in part.get("anyOf", ()) if "$ref" not in o]
            properties[name] = {"anyOf": [inner, *others]} if others else inner
    if properties:
        relaxed["properties"] = properties
    return relaxed
