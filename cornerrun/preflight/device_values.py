"""What a device holds for one rail, in SI units: decoded from words that somebody has read."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.errors import FormatError

__all__ = ["LIMITS", "REGISTERS", "BenchValues", "DeviceValues", "decode_values"]

# The names of `Rail.device_limits` and the registers that hold them.
LIMITS: Mapping[str, str] = {
    "vout_max": "VOUT_MAX",
    "ov_fault": "VOUT_OV_FAULT_LIMIT",
    "ov_warn": "VOUT_OV_WARN_LIMIT",
    "uv_warn": "VOUT_UV_WARN_LIMIT",
    "uv_fault": "VOUT_UV_FAULT_LIMIT",
    "vout_min": "VOUT_MIN",
    "power_good_on": "POWER_GOOD_ON",
    "power_good_off": "POWER_GOOD_OFF",
}
MARGINS = ("VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")
REGISTERS = (
    "VOUT_MODE",
    "VOUT_COMMAND",
    "VOUT_TRIM",
    *LIMITS.values(),
    "VOUT_TRANSITION_RATE",
    "IOUT_OC_FAULT_LIMIT",
    *MARGINS,
)
_ABOVE = ("vout_max", "ov_fault", "ov_warn")
# VOUT_TRANSITION_RATE is in mV/us, IOUT_OC_FAULT_LIMIT in A (PMBus Part II 1.2, sections 13 and 15; from memory).
_V_PER_S = 1e3


@dataclass(frozen=True, kw_only=True, slots=True)
class DeviceValues:
    """What a device holds for one rail.

    ``command_v`` and ``trim_v`` are what makes nominal. ``limits_v`` goes by the names of `Rail.device_limits`; in
    relative mode those named in ``ratios`` are what is held there times ``command_v``. ``unset`` are upper limits that
    read zero, which no output could keep. ``unread`` says of each register why its word was not understood.
    ``margin_words`` are what the margin registers hold, by register.
    """

    vout_mode: int
    command_word: int
    command_v: float
    trim_v: float = 0.0
    limits_v: Mapping[str, float] = field(default_factory=dict)
    ratios: frozenset[str] = frozenset()
    unset: tuple[str, ...] = ()
    unread: Mapping[str, str] = field(default_factory=dict)
    slew_v_per_s: float | None = None
    current_limit_a: float | None = None
    margin_words: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchValues:
    """What the devices of a bench hold, by rail; ``trouble`` says of each device why it could not be read.

    ``source`` tells where it comes from, "" where nobody looked.
    """

    rails: Mapping[str, DeviceValues] = field(default_factory=dict)
    trouble: Mapping[str, str] = field(default_factory=dict)
    source: str = ""


def decode_values(words: Mapping[str, int], page_format: PageFormat) -> DeviceValues:
    """Decode the words of one page, by register; VOUT_MODE and VOUT_COMMAND must be among them.

    Raises:
        FormatError: VOUT_COMMAND cannot be decoded, so that nothing else means anything.

    """
    command_v = page_format.decode("VOUT_COMMAND", words["VOUT_COMMAND"])
    if not math.isfinite(command_v):
        raise FormatError(f"VOUT_COMMAND 0x{words['VOUT_COMMAND']:04X} is no number")
    unread: dict[str, str] = {}

    def decoded(register: str) -> float | None:
        if register not in words:
            return None
        try:
            number = page_format.decode(register, words[register])
        except FormatError as error:
            unread[register] = str(error)
            return None
        if not math.isfinite(number):
            unread[register] = f"word 0x{words[register]:04X} is no number"
            return None
        return number * command_v if page_format.is_ratio(register) else number

    limits = {name: decoded(register) for name, register in LIMITS.items()}
    unset = tuple(name for name in _ABOVE if limits[name] == 0.0)
    rate, current = decoded("VOUT_TRANSITION_RATE"), decoded("IOUT_OC_FAULT_LIMIT")
    return DeviceValues(
        vout_mode=words["VOUT_MODE"],
        command_word=words["VOUT_COMMAND"],
        command_v=command_v,
        trim_v=decoded("VOUT_TRIM") or 0.0,
        limits_v={name: limit for name, limit in limits.items() if limit is not None and name not in unset},
        ratios=frozenset(name for name, register in LIMITS.items() if page_format.is_ratio(register)),
        unset=unset,
        unread=unread,
        # Zero and negative rates mean "at once", or that the device has none of its own.
        slew_v_per_s=rate * _V_PER_S if rate is not None and rate > 0 else None,
        current_limit_a=current if current is not None and current > 0 else None,
        margin_words={name: words[name] for name in MARGINS if name in words},
    )
