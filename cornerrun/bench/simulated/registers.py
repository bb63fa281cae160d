"""The registers of a simulated power manager: codes, shapes, and what QUERY says of them.

Codes and shapes: QEMU ``include/hw/i2c/pmbus_device.h`` and Linux ``drivers/hwmon/pmbus/pmbus.h`` (both restate PMBus
Part II). Kept apart from the driver's own table on purpose: a slip in one of them shows as a failing test.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

__all__ = ["BY_CODE", "BY_NAME", "EXTRA", "Code", "Register", "Shape"]


class Shape(Enum):
    """What follows the command byte."""

    SEND = 0
    BYTE = 1
    WORD = 2
    BLOCK = 3
    PROCESS = 4


class Code:
    """Command codes by name."""

    PAGE = 0x00
    OPERATION = 0x01
    ON_OFF_CONFIG = 0x02
    CLEAR_FAULTS = 0x03
    PAGE_PLUS_WRITE = 0x05
    PAGE_PLUS_READ = 0x06
    WRITE_PROTECT = 0x10
    STORE_DEFAULT_ALL = 0x11
    RESTORE_DEFAULT_ALL = 0x12
    STORE_USER_ALL = 0x15
    RESTORE_USER_ALL = 0x16
    CAPABILITY = 0x19
    QUERY = 0x1A
    VOUT_MODE = 0x20
    VOUT_COMMAND = 0x21
    VOUT_TRIM = 0x22
    VOUT_CAL_OFFSET = 0x23
    VOUT_MAX = 0x24
    VOUT_MARGIN_HIGH = 0x25
    VOUT_MARGIN_LOW = 0x26
    VOUT_TRANSITION_RATE = 0x27
    VOUT_MIN = 0x2B
    COEFFICIENTS = 0x30
    VOUT_OV_FAULT_LIMIT = 0x40
    VOUT_OV_FAULT_RESPONSE = 0x41
    VOUT_OV_WARN_LIMIT = 0x42
    VOUT_UV_WARN_LIMIT = 0x43
    VOUT_UV_FAULT_LIMIT = 0x44
    VOUT_UV_FAULT_RESPONSE = 0x45
    IOUT_OC_FAULT_LIMIT = 0x46
    IOUT_OC_WARN_LIMIT = 0x4A
    OT_FAULT_LIMIT = 0x4F
    OT_WARN_LIMIT = 0x51
    POWER_GOOD_ON = 0x5E
    POWER_GOOD_OFF = 0x5F
    STATUS_BYTE = 0x78
    STATUS_WORD = 0x79
    STATUS_VOUT = 0x7A
    STATUS_IOUT = 0x7B
    STATUS_INPUT = 0x7C
    STATUS_TEMPERATURE = 0x7D
    STATUS_CML = 0x7E
    STATUS_OTHER = 0x7F
    STATUS_MFR_SPECIFIC = 0x80
    READ_VIN = 0x88
    READ_VOUT = 0x8B
    READ_IOUT = 0x8C
    READ_TEMPERATURE_1 = 0x8D
    PMBUS_REVISION = 0x98
    MFR_ID = 0x99
    MFR_MODEL = 0x9A
    MFR_REVISION = 0x9B
    MFR_LOCATION = 0x9C
    MFR_DATE = 0x9D
    MFR_SERIAL = 0x9E


@dataclass(frozen=True, kw_only=True, slots=True)
class Register:
    """One register; ``is_stored`` says that STORE and RESTORE carry it."""

    code: int
    name: str
    shape: Shape
    is_paged: bool = True
    is_readable: bool = True
    is_writable: bool = True
    is_stored: bool = False
    query_format: int = 0b100

    @property
    def query_byte(self) -> int:
        """What QUERY answers: supported, writable, readable, format in bits 4:2 (Part II 11.13, from memory)."""
        return 0x80 | self.is_writable << 6 | self.is_readable << 5 | self.query_format << 2


_LINEAR, _BITS, _TEXT = 0b000, 0b100, 0b111


def _send(code: int, name: str, *, is_paged: bool = False) -> Register:
    return Register(code=code, name=name, shape=Shape.SEND, is_paged=is_paged, is_readable=False, query_format=_TEXT)


def _bits(
    code: int, name: str, *, is_paged: bool = True, is_writable: bool = True, is_stored: bool = False
) -> Register:
    return Register(
        code=code, name=name, shape=Shape.BYTE, is_paged=is_paged, is_writable=is_writable, is_stored=is_stored
    )


def _number(code: int, name: str) -> Register:
    return Register(code=code, name=name, shape=Shape.WORD, is_stored=True, query_format=_LINEAR)


def _reading(code: int, name: str, *, is_paged: bool = True, query_format: int = _LINEAR) -> Register:
    return Register(
        code=code, name=name, shape=Shape.WORD, is_paged=is_paged, is_writable=False, query_format=query_format
    )


def _name(code: int, name: str) -> Register:
    return Register(code=code, name=name, shape=Shape.BLOCK, is_paged=False, is_writable=False, query_format=_TEXT)


_WRITABLE_NUMBERS = (
    "VOUT_COMMAND",
    "VOUT_TRIM",
    "VOUT_CAL_OFFSET",
    "VOUT_MAX",
    "VOUT_MARGIN_HIGH",
    "VOUT_MARGIN_LOW",
    "VOUT_TRANSITION_RATE",
    "VOUT_MIN",
    "VOUT_OV_FAULT_LIMIT",
    "VOUT_OV_WARN_LIMIT",
    "VOUT_UV_WARN_LIMIT",
    "VOUT_UV_FAULT_LIMIT",
    "IOUT_OC_FAULT_LIMIT",
    "IOUT_OC_WARN_LIMIT",
    "OT_FAULT_LIMIT",
    "OT_WARN_LIMIT",
    "POWER_GOOD_ON",
    "POWER_GOOD_OFF",
)
_TEXTS = ("MFR_ID", "MFR_MODEL", "MFR_REVISION", "MFR_LOCATION", "MFR_DATE", "MFR_SERIAL")
_PAGED_STATUS = ("STATUS_VOUT", "STATUS_IOUT", "STATUS_TEMPERATURE", "STATUS_OTHER", "STATUS_MFR_SPECIFIC")

_TABLE = (
    _bits(Code.PAGE, "PAGE", is_paged=False),
    _bits(Code.OPERATION, "OPERATION", is_stored=True),
    _bits(Code.ON_OFF_CONFIG, "ON_OFF_CONFIG", is_stored=True),
    _send(Code.CLEAR_FAULTS, "CLEAR_FAULTS", is_paged=True),
    _bits(Code.WRITE_PROTECT, "WRITE_PROTECT", is_paged=False, is_stored=True),
    _send(Code.STORE_DEFAULT_ALL, "STORE_DEFAULT_ALL"),
    _send(Code.RESTORE_DEFAULT_ALL, "RESTORE_DEFAULT_ALL"),
    _send(Code.STORE_USER_ALL, "STORE_USER_ALL"),
    _send(Code.RESTORE_USER_ALL, "RESTORE_USER_ALL"),
    _bits(Code.CAPABILITY, "CAPABILITY", is_paged=False, is_writable=False),
    Register(
        code=Code.QUERY,
        name="QUERY",
        shape=Shape.PROCESS,
        is_paged=False,
        is_writable=False,
        query_format=_TEXT,
    ),
    _bits(Code.VOUT_MODE, "VOUT_MODE", is_writable=False),
    *(_number(getattr(Code, name), name) for name in _WRITABLE_NUMBERS),
    _bits(Code.VOUT_OV_FAULT_RESPONSE, "VOUT_OV_FAULT_RESPONSE", is_stored=True),
    _bits(Code.VOUT_UV_FAULT_RESPONSE, "VOUT_UV_FAULT_RESPONSE", is_stored=True),
    _bits(Code.STATUS_BYTE, "STATUS_BYTE", is_writable=False),
    _reading(Code.STATUS_WORD, "STATUS_WORD", query_format=_BITS),
    *(_bits(getattr(Code, name), name) for name in _PAGED_STATUS),
    _bits(Code.STATUS_INPUT, "STATUS_INPUT", is_paged=False),
    _bits(Code.STATUS_CML, "STATUS_CML", is_paged=False),
    _reading(Code.READ_VIN, "READ_VIN", is_paged=False),
    _reading(Code.READ_VOUT, "READ_VOUT"),
    _reading(Code.READ_IOUT, "READ_IOUT"),
    _reading(Code.READ_TEMPERATURE_1, "READ_TEMPERATURE_1"),
    _bits(Code.PMBUS_REVISION, "PMBUS_REVISION", is_paged=False, is_writable=False),
    *(_name(getattr(Code, name), name) for name in _TEXTS),
)

_EXTRAS = (
    Register(
        code=Code.PAGE_PLUS_WRITE,
        name="PAGE_PLUS_WRITE",
        shape=Shape.BLOCK,
        is_paged=False,
        is_readable=False,
        query_format=_TEXT,
    ),
    Register(
        code=Code.PAGE_PLUS_READ,
        name="PAGE_PLUS_READ",
        shape=Shape.PROCESS,
        is_paged=False,
        is_writable=False,
        query_format=_TEXT,
    ),
    Register(
        code=Code.COEFFICIENTS,
        name="COEFFICIENTS",
        shape=Shape.PROCESS,
        is_paged=False,
        is_writable=False,
        query_format=_TEXT,
    ),
)

EXTRA: Mapping[int, Register] = {register.code: register for register in _EXTRAS}
"""Registers that only some devices have."""

BY_CODE: Mapping[int, Register] = {register.code: register for register in _TABLE}
BY_NAME: Mapping[str, Register] = {register.name: register for register in _TABLE}
