"""The PMBus commands that the product may send, as a table; and the codes that it never sends.

Codes are those of Linux ``drivers/hwmon/pmbus/pmbus.h`` and of data sheets that restate PMBus Part II; VOUT_MIN is from
memory. Commands that write non-volatile memory do not stand in the table, so nothing can send them by name.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

__all__ = [
    "ALL_PAGES",
    "COMMANDS",
    "IDEMPOTENT_CALLS",
    "NON_VOLATILE",
    "PAGE",
    "Command",
    "Kind",
    "Numbers",
    "command_of_code",
]

PAGE = 0x00
ALL_PAGES = 0xFF


class Kind(Enum):
    """The SMBus message that carries a command."""

    SEND_BYTE = "send byte"
    BYTE = "byte"
    WORD = "word"
    BLOCK = "block"
    CALL = "block process call"


class Numbers(Enum):
    """How a command's word is read; a profile may say otherwise for a device."""

    NONE = "bits"
    VOUT = "vout"
    VOUT_RATIO = "vout or ratio"  # a ratio to VOUT_COMMAND where VOUT_MODE says relative
    VOUT_SIGNED = "vout signed"
    LINEAR11 = "linear11"


@dataclass(frozen=True, kw_only=True, slots=True)
class Command:
    """One command: how it travels, what its word means, and whether it depends on PAGE."""

    code: int
    name: str
    kind: Kind
    numbers: Numbers = Numbers.NONE
    is_paged: bool = True
    is_writable: bool = True

    @property
    def is_word(self) -> bool:
        """Whether it travels as a word."""
        return self.kind is Kind.WORD


def _byte(code: int, name: str, *, is_paged: bool = True, is_writable: bool = True) -> Command:
    return Command(code=code, name=name, kind=Kind.BYTE, is_paged=is_paged, is_writable=is_writable)


def _word(code: int, name: str, numbers: Numbers, *, is_paged: bool = True, is_writable: bool = True) -> Command:
    return Command(code=code, name=name, kind=Kind.WORD, numbers=numbers, is_paged=is_paged, is_writable=is_writable)


def _text(code: int, name: str) -> Command:
    return Command(code=code, name=name, kind=Kind.BLOCK, is_paged=False, is_writable=False)


def _call(code: int, name: str) -> Command:
    return Command(code=code, name=name, kind=Kind.CALL, is_paged=False, is_writable=False)


_TABLE = (
    _byte(PAGE, "PAGE", is_paged=False),
    _byte(0x01, "OPERATION"),
    _byte(0x02, "ON_OFF_CONFIG"),
    Command(code=0x03, name="CLEAR_FAULTS", kind=Kind.SEND_BYTE),
    Command(code=0x05, name="PAGE_PLUS_WRITE", kind=Kind.BLOCK, is_paged=False),
    _call(0x06, "PAGE_PLUS_READ"),
    _byte(0x10, "WRITE_PROTECT", is_paged=False),
    _byte(0x19, "CAPABILITY", is_paged=False, is_writable=False),
    _call(0x1A, "QUERY"),
    _byte(0x20, "VOUT_MODE", is_writable=False),
    _word(0x21, "VOUT_COMMAND", Numbers.VOUT),
    _word(0x22, "VOUT_TRIM", Numbers.VOUT_SIGNED),
    _word(0x23, "VOUT_CAL_OFFSET", Numbers.VOUT_SIGNED),
    _word(0x24, "VOUT_MAX", Numbers.VOUT),
    _word(0x25, "VOUT_MARGIN_HIGH", Numbers.VOUT_RATIO),
    _word(0x26, "VOUT_MARGIN_LOW", Numbers.VOUT_RATIO),
    _word(0x27, "VOUT_TRANSITION_RATE", Numbers.LINEAR11),
    _word(0x28, "VOUT_DROOP", Numbers.LINEAR11),
    _word(0x29, "VOUT_SCALE_LOOP", Numbers.LINEAR11),
    _word(0x2A, "VOUT_SCALE_MONITOR", Numbers.LINEAR11),
    _word(0x2B, "VOUT_MIN", Numbers.VOUT),
    _call(0x30, "COEFFICIENTS"),
    _word(0x35, "VIN_ON", Numbers.LINEAR11, is_paged=False),
    _word(0x36, "VIN_OFF", Numbers.LINEAR11, is_paged=False),
    _word(0x40, "VOUT_OV_FAULT_LIMIT", Numbers.VOUT_RATIO),
    _byte(0x41, "VOUT_OV_FAULT_RESPONSE"),
    _word(0x42, "VOUT_OV_WARN_LIMIT", Numbers.VOUT_RATIO),
    _word(0x43, "VOUT_UV_WARN_LIMIT", Numbers.VOUT_RATIO),
    _word(0x44, "VOUT_UV_FAULT_LIMIT", Numbers.VOUT_RATIO),
    _byte(0x45, "VOUT_UV_FAULT_RESPONSE"),
    _word(0x46, "IOUT_OC_FAULT_LIMIT", Numbers.LINEAR11),
    _byte(0x47, "IOUT_OC_FAULT_RESPONSE"),
    _word(0x4A, "IOUT_OC_WARN_LIMIT", Numbers.LINEAR11),
    _word(0x4F, "OT_FAULT_LIMIT", Numbers.LINEAR11),
    _byte(0x50, "OT_FAULT_RESPONSE"),
    _word(0x51, "OT_WARN_LIMIT", Numbers.LINEAR11),
    _word(0x5E, "POWER_GOOD_ON", Numbers.VOUT_RATIO),
    _word(0x5F, "POWER_GOOD_OFF", Numbers.VOUT_RATIO),
    _word(0x60, "TON_DELAY", Numbers.LINEAR11),
    _word(0x61, "TON_RISE", Numbers.LINEAR11),
    _word(0x62, "TON_MAX_FAULT_LIMIT", Numbers.LINEAR11),
    _byte(0x63, "TON_MAX_FAULT_RESPONSE"),
    _word(0x64, "TOFF_DELAY", Numbers.LINEAR11),
    _word(0x65, "TOFF_FALL", Numbers.LINEAR11),
    _word(0x66, "TOFF_MAX_WARN_LIMIT", Numbers.LINEAR11),
    _byte(0x78, "STATUS_BYTE", is_writable=False),
    _word(0x79, "STATUS_WORD", Numbers.NONE, is_writable=False),
    _byte(0x7A, "STATUS_VOUT", is_writable=False),
    _byte(0x7B, "STATUS_IOUT", is_writable=False),
    _byte(0x7C, "STATUS_INPUT", is_paged=False, is_writable=False),
    _byte(0x7D, "STATUS_TEMPERATURE", is_writable=False),
    _byte(0x7E, "STATUS_CML", is_writable=False),
    _byte(0x7F, "STATUS_OTHER", is_writable=False),
    _byte(0x80, "STATUS_MFR_SPECIFIC", is_writable=False),
    _byte(0x81, "STATUS_FANS_1_2", is_paged=False, is_writable=False),
    _byte(0x82, "STATUS_FANS_3_4", is_paged=False, is_writable=False),
    _word(0x88, "READ_VIN", Numbers.LINEAR11, is_paged=False, is_writable=False),
    _word(0x89, "READ_IIN", Numbers.LINEAR11, is_paged=False, is_writable=False),
    _word(0x8B, "READ_VOUT", Numbers.VOUT, is_writable=False),
    _word(0x8C, "READ_IOUT", Numbers.LINEAR11, is_writable=False),
    _word(0x8D, "READ_TEMPERATURE_1", Numbers.LINEAR11, is_writable=False),
    _word(0x8E, "READ_TEMPERATURE_2", Numbers.LINEAR11, is_writable=False),
    _word(0x8F, "READ_TEMPERATURE_3", Numbers.LINEAR11, is_writable=False),
    _word(0x95, "READ_FREQUENCY", Numbers.LINEAR11, is_writable=False),
    _word(0x96, "READ_POUT", Numbers.LINEAR11, is_writable=False),
    _word(0x97, "READ_PIN", Numbers.LINEAR11, is_paged=False, is_writable=False),
    _byte(0x98, "PMBUS_REVISION", is_paged=False, is_writable=False),
    _text(0x99, "MFR_ID"),
    _text(0x9A, "MFR_MODEL"),
    _text(0x9B, "MFR_REVISION"),
    _text(0x9C, "MFR_LOCATION"),
    _text(0x9D, "MFR_DATE"),
    _text(0x9E, "MFR_SERIAL"),
    _text(0xAD, "IC_DEVICE_ID"),
    _text(0xAE, "IC_DEVICE_REV"),
)

COMMANDS: Mapping[str, Command] = MappingProxyType({command.name: command for command in _TABLE})

# 13, 14, 17 and 18 are the single-code variants (Linux/QEMU headers; 0x11 from memory). A margin run must never store:
# what is in operating memory then would become the power-up value.
NON_VOLATILE: Mapping[int, str] = MappingProxyType(
    {
        0x11: "STORE_DEFAULT_ALL",
        0x12: "RESTORE_DEFAULT_ALL",
        0x13: "STORE_DEFAULT_CODE",
        0x14: "RESTORE_DEFAULT_CODE",
        0x15: "STORE_USER_ALL",
        0x16: "RESTORE_USER_ALL",
        0x17: "STORE_USER_CODE",
        0x18: "RESTORE_USER_CODE",
    }
)

# These write only to say what they want to read, so they may be tried again like any other read.
IDEMPOTENT_CALLS = frozenset(command.code for command in _TABLE if command.kind is Kind.CALL)

_BY_CODE: Mapping[int, Command] = MappingProxyType({command.code: command for command in _TABLE})


def command_of_code(code: int) -> Command | None:
    """Find a command by its code; None if the product does not know it or never sends it."""
    return _BY_CODE.get(code)
