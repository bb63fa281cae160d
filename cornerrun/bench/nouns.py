"""What passes between a bench and the run, as frozen data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "Baseline",
    "DeviceIdentity",
    "Effect",
    "FaultStamp",
    "MeterIdentity",
    "MeterReading",
    "Note",
    "RawWrite",
    "RegisterValue",
    "RestoreRecipe",
    "Setpoint",
    "StatusCapture",
    "Telemetry",
    "Write",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Setpoint:
    """A level of a rail as its device holds it: ``decoded_v`` is what ``word`` means, not what was wished."""

    rail: str
    level: str
    target_v: float
    word: int
    decoded_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Telemetry:
    """One reading that a device made of its own rail. ``word`` is READ_VOUT raw, ``status_word`` STATUS_WORD."""

    rail: str
    read_at_s: float
    word: int
    voltage_v: float
    status_word: int | None = None
    current_a: float | None = None
    temperature_degc: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterReading:
    """One reading of the reference meter; overload and NaN never get here."""

    rail: str
    channel: int
    read_at_s: float
    reading_v: float
    range_v: float
    aperture_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Effect:
    """What a write does to an output: the voltage that the rail is asked for once the write has reached the device."""

    rail: str
    target_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Write:
    """A write to a device and all that it does to outputs, decoded from words that were read back.

    ``pages`` lists every page that takes the write; ``data`` is what follows the command byte, without PEC.
    ``stored`` lists voltages that the write puts into a register of which no output takes notice yet.
    """

    address: int
    pages: tuple[int, ...]
    command: int
    data: bytes
    effects: tuple[Effect, ...] = ()
    stored: tuple[Effect, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class RegisterValue:
    """A register as it was read: ``page`` is None where the command is not paged; ``data`` is as on the wire."""

    bus: str
    address: int
    page: int | None
    command: int
    data: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """The registers of every device as found, unmargined, before a run; and each rail's voltage then."""

    registers: tuple[RegisterValue, ...]
    voltages_v: Mapping[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class RawWrite:
    """One write of the way back, ready to be sent.

    Stages, in order: "nominal" moves a rail to nominal, "configuration" restores limits and margin words byte for byte,
    "page" restores PAGE. ``rails`` says which rails it concerns.
    """

    stage: Literal["nominal", "configuration", "page"]
    bus: str
    address: int
    page: int | None
    command: int
    data: bytes
    rails: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreRecipe:
    """All that another process needs to bring a board back: links by bus name, and ordered writes."""

    bench_id: str
    run_id: str
    serial: str
    pid: int
    links: Mapping[str, str]
    writes: tuple[RawWrite, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultStamp:
    """One entry of a fault log that a profile says how to read.

    ``at_s`` is the time of the device ``clock`` names, in steps of ``tick_s``; it starts again after ``wraps_s`` and
    compares with that of no other device. ``register`` and ``bits`` say which status bit was latched, where the log
    tells.
    """

    clock: str
    at_s: float
    wraps_s: float
    tick_s: float
    register: str | None = None
    bits: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StatusCapture:
    """The status registers of a rail, by name ("STATUS_WORD", "STATUS_VOUT", ...), and its device's fault log, raw.

    Readings are registers too, as words. ``stamps`` are the log's entries of this rail that were not there before.
    ``taken_at_s`` is by the bench's clock; in the fault of a run, seconds since that began.
    """

    rail: str
    taken_at_s: float
    registers: Mapping[str, int]
    fault_log: bytes | None = None
    stamps: tuple[FaultStamp, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Note:
    """Something that a driver saw and that a reader of the report must know; ``severity`` is "note" or "warning"."""

    severity: str
    what: str
    rail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceIdentity:
    """Who a device says it is; ``texts`` by "maker", "model", "revision", "serial", "pmbus revision"."""

    device: str
    texts: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterIdentity:
    """Who a meter says it is: the four fields of ``*IDN?`` (IEEE 488.2)."""

    maker: str
    model: str
    serial: str
    firmware: str
