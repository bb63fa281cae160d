"""What a validator's error means to the person who wrote the file: what came, and what to write."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from cornerrun.plan.nearest import nearest, suggestion
from cornerrun.plan.nodes import Loc, Node, shortened
from cornerrun.units import kind_of, show

__all__ = ["Said", "explain", "is_echo"]

_DUE = {
    "string_type": ("a text", "write a text"),
    "model_type": ("a mapping", "write keys with values, like {key: value}"),
    "dict_type": ("a mapping", "write keys with values, like {key: value}"),
    "mapping_type": ("a mapping", "write keys with values, like {key: value}"),
    "tuple_type": ("a list", "write a list, like [a, b]"),
    "list_type": ("a list", "write a list, like [a, b]"),
    "int_type": ("a whole number", "write it like '12'"),
    "float_type": ("a number", "write it like '0.95'"),
    "bool_type": ("true or false", "write 'true' or 'false'"),
    "date_type": ("a date", "write it like '2026-03-01'"),
    "path_type": ("the path of a file", "write it relative to this file"),
}
_BOUNDS = {
    "greater_than": "above",
    "greater_than_equal": "at least",
    "less_than": "below",
    "less_than_equal": "at most",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """What to tell; ``at_key`` if the key is at fault, ``missing`` if something is not there at all."""

    came: str
    advice: str
    at_key: bool = False
    missing: bool = False


def is_echo(error: ErrorDetails, errors: Sequence[ErrorDetails]) -> bool:
    """Whether an error only follows from another: a key missing since it is misspelt, a list short of broken items."""
    kind, loc = error["type"], error["loc"]
    if kind == "too_short":
        return any(len(e["loc"]) > len(loc) and e["loc"][: len(loc)] == loc for e in errors)
    if kind != "missing":
        return False
    unknown = [str(e["loc"][-1]) for e in errors if e["type"] == "extra_forbidden" and e["loc"][:-1] == loc[:-1]]
    return any(key.partition(":")[0] == loc[-1] or nearest(key, [str(loc[-1])]) is not None for key in unknown)


def explain(error: ErrorDetails, model: type[BaseModel], node: Node) -> Said:
    """Translate one error; ``node`` is what stands at its place, or nearest around it."""
    kind, loc = error["type"], error["loc"]
    context: Mapping[str, Any] = error.get("ctx", {})  # Any: each kind of error has a context of its own
    if kind == "extra_forbidden":
        return _unknown_key(str(loc[-1]), model, loc[:-1])
    if kind == "missing":
        advice = f"write '{loc[-1]}: {_example(model, loc)}'"
        return Said(came="is missing", advice=advice, missing=True)
    if node.value is None and kind in (*_DUE, "refusal"):
        if _is_required(model, loc):
            return Said(came="has no value", advice=f"write '{loc[-1]}: {_example(model, loc)}'")
        return Said(came="has no value", advice="write one, or leave the key out")
    came, advice = _translated(error, context, model, node)
    return Said(came=came, advice=advice, at_key="[key]" in loc)


def _translated(error: ErrorDetails, context: Mapping[str, Any], model: type[BaseModel], node: Node) -> tuple[str, str]:
    kind = error["type"]
    came, advice = f"{_shown(node)}: {error['msg'][:1].lower()}{error['msg'][1:]}", "mend this value"
    if kind == "refusal":
        came, advice = str(context["came"]), str(context["advice"])
    elif kind in _DUE:
        due, advice = _DUE[kind]
        came = f"{due} is due, {node.kind} came"
        if kind in ("tuple_type", "list_type"):
            advice = (
                f"write a list: [{shortened(node.text)}]" if node.text else "write a list, a dash before each member"
            )
        if kind == "model_type":
            advice = _shape(model, error["loc"]) or advice
    elif kind == "literal_error":
        options = _literal_options(model, error["loc"])
        close = nearest(node.text, options) if node.text else None
        came = f"{node.kind} does not fit here"
        advice = f"did you mean {close!r}?" if close else f"write one of {', '.join(map(repr, options))}"
    elif kind in _BOUNDS:
        came = f"{_shown(node)} is out of range"
        advice = f"write a value {_BOUNDS[kind]} {_bound(float(next(iter(context.values()), 0)), node)}"
    elif kind == "too_short":
        least = context.get("min_length", 1)
        came, advice = ("is empty", "write at least one") if least == 1 else ("holds too little", f"write {least}")
    elif kind == "string_too_long":
        came, advice = (
            f"a text of {len(node.text or '')} characters is too long",
            f"use at most {context['max_length']}",
        )
    elif kind == "value_error":
        said, _, hint = str(context.get("error", error["msg"])).rpartition("; ")
        came, advice = (said, hint) if said else (hint, "mend this value")
    return came, advice


def _bound(bound: float, node: Node) -> str:
    """Write a bound in the unit that the text has."""
    kind = kind_of((node.text or "").strip().lstrip("+-0123456789.").strip())
    return f"{bound:g}" if kind is None or bound == 0 else show(bound, kind)


def _shown(node: Node) -> str:
    return repr(shortened(node.text)) if node.text is not None else node.kind


def _unknown_key(key: str, model: type[BaseModel], loc: Loc) -> Said:
    name, colon, _ = key.partition(":")
    known = tuple(field for option in _models_at(model, loc) for field in option.model_fields)
    if colon and name in known:
        return Said(came=f"unknown key {shortened(key)!r}", advice="put a space after the colon", at_key=True)
    return Said(came=f"unknown key {shortened(key)!r}", advice=suggestion(key, known), at_key=True)


def _is_required(model: type[BaseModel], loc: Loc) -> bool:
    fields = (parent.model_fields.get(str(loc[-1])) for parent in _models_at(model, loc[:-1])) if loc else ()
    return any(field.is_required() for field in fields if field is not None)


def _literal_options(model: type[BaseModel], loc: Loc) -> tuple[str, ...]:
    return tuple(
        str(value)
        for annotation in _annotations_at(model, loc)
        if get_origin(annotation) is Literal
        for value in get_args(annotation)
    )


def _example(model: type[BaseModel], loc: Loc) -> str:
    for parent in _models_at(model, loc[:-1]):
        field = parent.model_fields.get(str(loc[-1]))
        if field is not None and field.examples:
            return str(field.examples[0])
        annotations = list(_unwrapped(field.annotation)) if field is not None else []
        if any(isinstance(item, type) and issubclass(item, BaseModel) for item in annotations):
            return "{...}"
        if any(get_origin(item) in (tuple, list) for item in annotations):
            return "[...]"
        if any(get_origin(item) in (dict, Mapping) for item in annotations):
            return "{...}"
    return "..."


def _shape(model: type[BaseModel], loc: Loc) -> str:
    """Show how a section is written: its required keys with their examples, else the keys that it knows."""
    for option in _models_at(model, loc):
        fields = option.model_fields
        needed = [
            f"{name}: {field.examples[0]}" for name, field in fields.items() if field.is_required() and field.examples
        ]
        return f"write {{{', '.join(needed)}}}" if needed else f"write {{key: value}} with keys of {', '.join(fields)}"
    return ""


def _models_at(model: type[BaseModel], loc: Loc) -> tuple[type[BaseModel], ...]:
    found = _annotations_at(model, loc)
    return tuple(option for option in found if isinstance(option, type) and issubclass(option, BaseModel))


def _annotations_at(model: type[BaseModel], loc: Loc) -> tuple[Any, ...]:  # Any: an annotation is any object
    here: list[Any] = [model]
    for step in loc:
        below = [inner for annotation in here for inner in _below(annotation, step)]
        here = below or here
    return tuple(here)


def _below(annotation: Any, step: str | int) -> Iterator[Any]:  # Any: an annotation is any object
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        field = annotation.model_fields.get(str(step))
        if field is not None:
            yield from _unwrapped(field.annotation)
    elif get_origin(annotation) in (tuple, list, Sequence):
        yield from _unwrapped(get_args(annotation)[0])
    elif get_origin(annotation) in (dict, Mapping):
        yield from _unwrapped(get_args(annotation)[1])


def _unwrapped(annotation: Any) -> Iterator[Any]:  # Any: an annotation is any object
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _unwrapped(get_args(annotation)[0])
    elif origin is None or origin in (tuple, list, dict, Mapping, Sequence, Literal):
        yield annotation
    else:
        for option in get_args(annotation):
            yield from _unwrapped(option)
