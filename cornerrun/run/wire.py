"""Messages between the run and its worker: a length of four bytes, big-endian, then JSON."""

import json
import struct
from collections.abc import Mapping
from pathlib import Path

from cornerrun.run.view import CheckView, RailView

__all__ = ["decode_view", "encode_view", "frame", "unframe"]

Message = Mapping[str, object]

_LENGTH = struct.Struct(">I")


def frame(message: Message) -> bytes:
    """Encode a message."""
    text = json.dumps(message, separators=(",", ":")).encode()
    return _LENGTH.pack(len(text)) + text


def unframe(buffer: bytearray) -> dict[str, object] | None:
    """Take the first whole message out of a buffer; None while it is incomplete."""
    if len(buffer) < _LENGTH.size:
        return None
    end = _LENGTH.size + _LENGTH.unpack_from(buffer)[0]
    if len(buffer) < end:
        return None
    found: dict[str, object] = json.loads(bytes(buffer[_LENGTH.size : end]))
    del buffer[:end]
    return found


def encode_view(view: CheckView) -> Message:
    """Turn a view into what JSON can carry."""
    readings = {
        rail: [item.level, item.target_v, item.setpoint_v, item.telemetry_v, item.reference_v, item.current_a]
        for rail, item in view.readings.items()
    }
    return {
        "check": view.check,
        "corner": view.corner,
        "levels": dict(view.levels),
        "readings": readings,
        "conditions": dict(view.conditions),
        "visit": view.visit,
        "trial": view.trial,
        "seed": view.seed,
        "serial": view.serial,
        "directory": str(view.directory),
        "unit": dict(view.unit),
        "settings": dict(view.settings),
        "board": dict(view.board),
    }


def decode_view(message: dict[str, object]) -> CheckView:
    """Turn it back."""
    readings: dict[str, list[float]] = message["readings"]  # type: ignore[assignment]  # JSON of encode_view
    rails = {
        rail: RailView(level=item[0], target_v=item[1], setpoint_v=item[2], telemetry_v=item[3],  # type: ignore[arg-type]
                       reference_v=item[4], current_a=item[5])
        for rail, item in readings.items()
    }  # fmt: skip
    return CheckView(**{**message, "readings": rails, "directory": Path(str(message["directory"]))})  # type: ignore[arg-type]
