"""What a page's output-voltage words mean in volts, in the format that its VOUT_MODE should say.

VOUT_MODE itself may be made to lie (`faults`); what a device does with its words does not depend on that.
"""

import math
from collections.abc import Mapping

from cornerrun.bench.pmbus.formats import Direct, VoutKind, VoutMode
from cornerrun.bench.simulated.registers import Code
from cornerrun.errors import FormatError

__all__ = ["RATIOS", "VoutWords", "mode_byte", "reading_word", "vout_mode"]

_SIGNED = frozenset({Code.VOUT_TRIM, Code.VOUT_CAL_OFFSET})
# What a relative VOUT_MODE (PMBus 1.3) makes a share of VOUT_COMMAND: scope from memory, as data sheets have it.
RATIOS = frozenset(
    {
        Code.VOUT_MARGIN_HIGH,
        Code.VOUT_MARGIN_LOW,
        Code.VOUT_OV_FAULT_LIMIT,
        Code.VOUT_OV_WARN_LIMIT,
        Code.VOUT_UV_WARN_LIMIT,
        Code.VOUT_UV_FAULT_LIMIT,
        Code.POWER_GOOD_ON,
        Code.POWER_GOOD_OFF,
    }
)
_MARGINS = frozenset({Code.VOUT_MARGIN_HIGH, Code.VOUT_MARGIN_LOW})
_HIGH_LIMITS = frozenset({Code.VOUT_OV_FAULT_LIMIT, Code.VOUT_OV_WARN_LIMIT})
_KIND_BITS = {VoutKind.LINEAR: 0x00, VoutKind.DIRECT: 0x40, VoutKind.HALF: 0x60}


def vout_mode(*, format: str, exponent: int, direct: Direct | None, is_relative: bool) -> VoutMode:
    """Make the format of a page from its settings."""
    if format == "linear":
        return VoutMode(kind=VoutKind.LINEAR, parameter=exponent, is_relative=is_relative)
    kind = VoutKind.DIRECT if format == "direct" else VoutKind.HALF
    return VoutMode(kind=kind, parameter=0, is_relative=is_relative, direct=direct)


def mode_byte(mode: VoutMode) -> int:
    """Tell the VOUT_MODE byte of a format: bit 7 relative, bits 6:5 kind, bits 4:0 exponent (PMBus 1.3 data sheets)."""
    return mode.is_relative << 7 | _KIND_BITS[mode.kind] | mode.parameter & 0x1F


class VoutWords:
    """Reads the output-voltage words of one page; ``words`` are its registers.

    Where limits are shares of VOUT_COMMAND, they follow the output on its way from one VOUT_COMMAND to the next: else
    every step down would be an over-voltage. Between `hold` and `release` each counts from that of the two which leaves
    the output more room (chosen).
    """

    def __init__(self, mode: VoutMode, words: Mapping[int, int]) -> None:
        self._mode = mode
        self._words = words
        self._held_v: float | None = None
        # Plain linear words are most of all; they are worth a short cut.
        is_plain = mode.kind is VoutKind.LINEAR and not mode.is_relative
        self._step_v = 2.0**mode.parameter if is_plain else None

    @property
    def is_relative(self) -> bool:
        """Whether margins and limits are shares of VOUT_COMMAND."""
        return self._mode.is_relative

    def hold(self, command_v: float) -> None:
        """Let limits count from a VOUT_COMMAND that was, too."""
        self._held_v = command_v

    def release(self) -> None:
        """Let limits count from VOUT_COMMAND alone."""
        self._held_v = None

    def volts(self, code: int) -> float:
        """Tell what a register asks for, in volts."""
        if self._step_v is not None:
            word = self._words[code]
            return (word - 0x10000 if word & 0x8000 and code in _SIGNED else word) * self._step_v
        number = self._mode.decode(self._words[code], signed=code in _SIGNED)
        if self._mode.is_relative and code in RATIOS:
            return number * self._base_v(code)
        return number

    def _base_v(self, code: int) -> float:
        command_v = self._mode.decode(self._words[Code.VOUT_COMMAND])
        if self._held_v is None or code in _MARGINS:
            return command_v
        return max(command_v, self._held_v) if code in _HIGH_LIMITS else min(command_v, self._held_v)

    def is_number(self, code: int, word: int) -> bool:
        """Tell whether a word is a finite number: half precision has others."""
        return math.isfinite(self._mode.decode(word, signed=code in _SIGNED))


def reading_word(mode: VoutMode, voltage_v: float) -> int:
    """Encode a voltage that is not negative, held at the largest that the format holds."""
    try:
        return mode.encode(voltage_v)
    except FormatError:
        return {VoutKind.LINEAR: 0xFFFF, VoutKind.HALF: 0x7BFF}.get(mode.kind, 0x7FFF)
