"""What the bits of OPERATION, ON_OFF_CONFIG, WRITE_PROTECT and STATUS_WORD say; pure.

OPERATION (PMBus 1.3; 1.2 agrees for every byte written here): 7:6 on or off, 5:4 source of the output voltage, 3:2
response to faults in margin, 1 AVSBus, 0 reserved. Sources: data sheets that restate PMBus 1.2 and 1.3; ON_OFF_CONFIG
and WRITE_PROTECT as in Linux ``drivers/hwmon/pmbus/pmbus.h`` and a protocol analyser's decoder.
"""

from enum import Enum

__all__ = [
    "MARGIN_BITS",
    "STATUS_OFF",
    "STATUS_REGISTERS",
    "Side",
    "cml_bits",
    "ignoring_faults",
    "is_acting_on_faults",
    "margin_of",
    "obeys_operation",
    "protection",
    "with_margin",
    "without_output",
]

MARGIN_BITS = 0x3C
STATUS_OFF = 0x0040  # STATUS_WORD bit 6
# What may change from one reading to the next with nobody at fault.
STATUS_REGISTERS = frozenset(
    {
        "STATUS_BYTE",
        "STATUS_WORD",
        "STATUS_VOUT",
        "STATUS_IOUT",
        "STATUS_INPUT",
        "STATUS_TEMPERATURE",
        "STATUS_CML",
        "STATUS_OTHER",
        "STATUS_MFR_SPECIFIC",
    }
)


class Side(Enum):
    """Where a page takes its output voltage from: OPERATION bits 5:4."""

    NOMINAL = 0x00
    LOW = 0x10
    HIGH = 0x20


def margin_of(operation: int) -> Side | None:
    """Tell the source that an OPERATION byte selects; None for bits 5:4 = 11 (AVSBus in 1.3, reserved in 1.2)."""
    selected = operation & 0x30
    return None if selected == 0x30 else Side(selected)


def with_margin(current: int, wanted: int) -> int:
    """Put bits 5:2 of ``wanted`` into the byte that was read; every other bit stays."""
    return current & ~MARGIN_BITS | wanted & MARGIN_BITS


def without_output(current: int) -> int:
    """Turn off at once (bits 7:6 = 00) and leave margin; bits 1:0 stay."""
    return current & 0x03


def is_acting_on_faults(operation: int) -> bool:
    """Tell whether bits 3:2 say "act on faults"; "ignore" (01) and the two invalid codes do not."""
    return operation & 0x0C == 0x08


def ignoring_faults(operation: int) -> int:
    """Put 01, "ignore faults while margined", into bits 3:2."""
    return operation & ~0x0C | 0x04


def obeys_operation(on_off_config: int) -> bool:
    """Tell whether the on/off part of OPERATION has any effect: ON_OFF_CONFIG bit 3.

    The margin bits act regardless (inference, from memory).
    """
    return bool(on_off_config & 0x08)


_PROTECTION = {
    0x80: frozenset({"WRITE_PROTECT"}),
    0x40: frozenset({"WRITE_PROTECT", "OPERATION", "PAGE"}),
    0x20: frozenset({"WRITE_PROTECT", "OPERATION", "PAGE", "ON_OFF_CONFIG", "VOUT_COMMAND"}),
}


def protection(write_protect: int) -> frozenset[str] | None:
    """Tell which commands a WRITE_PROTECT byte still lets through; None if it is open.

    An undefined byte lets nothing through: some parts return garbage here, and a person has to say so in the profile.
    """
    if write_protect == 0:
        return None
    return _PROTECTION.get(write_protect, frozenset())


_CML = {
    0x80: "command unknown or not supported",
    0x40: "data not valid",
    0x20: "PEC wrong",
    0x10: "memory fault",
    0x08: "processor fault",
    0x02: "other communication fault",
    0x01: "other memory or logic fault",
}


def cml_bits(status_cml: int) -> tuple[str, ...]:
    """Name the bits that are set in STATUS_CML."""
    return tuple(text for bit, text in _CML.items() if status_cml & bit)
