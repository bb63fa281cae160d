"""Frozen records <-> JSON text, exactly: floats to the last bit, bytes as hexadecimal, times in ISO 8601."""

import json
import math
import re
from collections.abc import Hashable, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import TypeAdapter

__all__ = ["clean_text", "from_json", "printable_json", "to_json", "utc_from_text", "utc_text"]

T = TypeVar("T")

# DEL and C1 controls, separators of lines and paragraphs, marks of direction. C0 controls are always escaped.
_UNSEEN = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def to_json(value: object) -> str:
    """Write records, mappings and tuples of them as JSON text; NaN and infinities keep their names.

    Raises TypeError for what is neither a record nor plain data.
    """
    text = _encode(value)
    # Only a lone surrogate is escaped like this and refused by readers: a file name or an output that is no UTF-8.
    if "\\ud" in text:
        return json.dumps(_cleaned(json.loads(text)), separators=(",", ":"))
    return text


def from_json(text: str, kind: type[T]) -> T:
    """Read back what `to_json` wrote of one record, or of a mapping or tuple of records.

    Raises ValueError (pydantic's) if the text does not hold that.
    """
    (record,) = _adapter(cast("Hashable", kind)).validate_json(f"[{text}]")
    return cast("T", record)


def clean_text(text: str) -> str:
    r"""Return text that every database can hold: lone surrogates and NUL are spelled out as ``\udcff``, ``\x00``."""
    if "\0" in text:
        text = text.replace("\0", "\\x00")
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode(errors="backslashreplace").decode()
    return text


def printable_json(value: object, *, indent: int | None = 2) -> str:
    r"""Write plain data as JSON text (RFC 8259) that is UTF-8 and harmless on a terminal, whatever texts it holds.

    Lone surrogates are spelled out (``\udcff``, six characters), as in the store. Control characters, separators of
    lines and marks of direction are escaped, so that readers get them back and terminals do not. What JSON cannot hold,
    NaN and infinities, is null; of anything else its ``str`` is written.
    """
    text = json.dumps(_printable(value), indent=indent, ensure_ascii=False, allow_nan=False)
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def _printable(value: object) -> object:
    if isinstance(value, str):
        return value if value.isascii() else value.encode(errors="backslashreplace").decode()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [_printable(item) for item in value]
    if isinstance(value, dict):
        return {_printable(key if isinstance(key, str) else str(key)): _printable(item) for key, item in value.items()}
    return value if value is None or isinstance(value, bool | int) else str(value)


def utc_text(when: datetime) -> str:
    """Write an aware time as UTC text that sorts by time; ValueError for a naive one."""
    if when.tzinfo is None:
        raise ValueError(f"{when.isoformat()} has no time zone; times in the store are UTC")
    return when.astimezone(UTC).isoformat(timespec="microseconds")


def utc_from_text(text: str) -> datetime:
    """Read back what `utc_text` wrote."""
    return datetime.fromisoformat(text)


@cache
def _adapter(kind: Hashable) -> "TypeAdapter[tuple[object]]":
    from pydantic import ConfigDict, TypeAdapter

    # pydantic takes a configuration for a tuple of a dataclass, not for the dataclass itself.
    config = ConfigDict(ser_json_bytes="hex", val_json_bytes="hex")
    return TypeAdapter(tuple[kind], config=config)  # type: ignore[valid-type, arg-type]  # known here only


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: getattr(value, item.name) for item in fields(value)}
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, datetime):
        return utc_text(value)
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Sequence):
        return list(value)
    if hasattr(value, "keys"):
        mapping: Mapping[object, object] = value  # type: ignore[assignment]  # a Mapping that is no dict
        return {key: mapping[key] for key in mapping}
    raise TypeError(f"{type(value).__name__} cannot be kept as JSON")


_encode = json.JSONEncoder(default=_plain, separators=(",", ":")).encode


def _cleaned(value: Any) -> Any:  # Any: whatever JSON holds
    if isinstance(value, str):
        return clean_text(value)
    if isinstance(value, list):
        return [_cleaned(item) for item in value]
    if isinstance(value, dict):
        return {clean_text(key): _cleaned(item) for key, item in value.items()}
    return value
