"""What kind of device a page belongs to, and which values its registers take."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from cornerrun.bench.pmbus.formats import VoutMode
from cornerrun.bench.simulated.drive import SOURCES
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.vout_words import RATIOS, VoutWords

__all__ = ["InvalidData", "PageKind", "check_value"]

_RESPONSES = frozenset({Code.VOUT_OV_FAULT_RESPONSE, Code.VOUT_UV_FAULT_RESPONSE})
_VOLTAGES = RATIOS | {Code.VOUT_COMMAND, Code.VOUT_TRIM, Code.VOUT_CAL_OFFSET, Code.VOUT_MAX, Code.VOUT_MIN}


class InvalidData(Exception):
    """Say that a register does not take the data that came."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PageKind:
    """What kind of device a page belongs to.

    ``responses`` are the values of bits 7:6 of a response byte that it knows, ``retries`` those of bits 5:3;
    ``delay_unit_s`` is what bits 2:0 count. ``warns_by_adc`` has warnings made from conversions, not by comparators.
    ``comparator_errors`` are factors on the limits, by register.
    """

    mode: VoutMode
    retry_s: float
    has_margins: bool = True
    is_control_asserted: bool = True
    responses: frozenset[int] = frozenset({0b00, 0b10})
    retries: frozenset[int] = frozenset(range(8))
    delay_unit_s: float = 0.0
    warns_by_adc: bool = False
    comparator_errors: Mapping[int, float] = field(default_factory=dict)


def check_value(code: int, value: int, kind: PageKind, volts: VoutWords) -> None:
    """Raise InvalidData if a register of such a page does not take a value."""
    if code == Code.OPERATION:
        _check_operation(value)
        if value & 0x30 and not kind.has_margins:
            raise InvalidData
    elif code in _RESPONSES:
        # Part II 10.5, from memory; data sheets say that a part may know less, and flags the rest.
        if value >> 6 not in kind.responses or (value >> 3 & 0x07) not in kind.retries:
            raise InvalidData
    elif code in _VOLTAGES and not volts.is_number(code, value):
        raise InvalidData


def _check_operation(value: int) -> None:
    """Refuse the codes that Part II 12.1 (from memory) leaves out: two on/off bits, AVS, a margin with no response."""
    margin, response = value & 0x30, value & 0x0C
    if value & 0xC0 == 0xC0 or value & 0x03 or margin not in SOURCES or response == 0x0C:
        raise InvalidData
    if margin and not response:
        raise InvalidData
