"""What turns one register's word into a number and back; pure. Which codec a register has depends on device and page.

Siblings differ: the UV limit of one part is scaled by VOUT_MODE where that of its sibling is LINEAR11, so a profile may
name the format of any register; without, PMBus Part II decides.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from cornerrun.bench.pmbus.commands import COMMANDS, Numbers
from cornerrun.bench.pmbus.formats import (
    VoutKind,
    VoutMode,
    decode_half,
    decode_linear11,
    encode_half,
    encode_linear11,
)
from cornerrun.errors import FormatError

__all__ = ["Codec", "Half", "Linear11", "PageFormat", "SameAs"]

_VOLTAGES = frozenset({Numbers.VOUT, Numbers.VOUT_RATIO, Numbers.VOUT_SIGNED})


class Codec(Protocol):
    """One way to read a word."""

    def decode(self, word: int, /) -> float:
        """Decode a word; FormatError if it can't be."""
        ...

    def encode(self, x: float, /) -> int:
        """Encode a number, rounded to nearest; FormatError if it does not fit."""
        ...


@dataclass(frozen=True, slots=True)
class Linear11:
    """LINEAR11."""

    def decode(self, word: int, /) -> float:
        return decode_linear11(word)

    def encode(self, x: float, /) -> int:
        return encode_linear11(x)


@dataclass(frozen=True, slots=True)
class Half:
    """IEEE half precision."""

    def decode(self, word: int, /) -> float:
        return decode_half(word)

    def encode(self, x: float, /) -> int:
        return encode_half(x)


@dataclass(frozen=True, slots=True)
class SameAs:
    """As PMBus has it for registers of a kind: "vout", "vout signed", "vout or ratio", "linear11", "bits"."""

    numbers: Numbers


@dataclass(frozen=True, kw_only=True, slots=True)
class PageFormat:
    """How the words of one page are read.

    ``scale`` is the factor of an external divider that the device does not know: the output's voltage is what a word
    decodes to, times this. ``overrides`` are the formats that a profile names, by register.
    """

    mode: VoutMode
    overrides: Mapping[str, Codec | SameAs] = field(default_factory=dict)
    scale: float = 1.0

    @property
    def is_relative(self) -> bool:
        """Whether margins are ratios to VOUT_COMMAND, unless the profile says otherwise."""
        return self.mode.is_relative

    def is_ratio(self, name: str) -> bool:
        """Whether a register holds a ratio to VOUT_COMMAND."""
        override = self.overrides.get(name)
        is_as_stated = override is None or isinstance(override, SameAs)
        return self.mode.is_relative and is_as_stated and self._numbers(name) is Numbers.VOUT_RATIO

    def decode(self, name: str, word: int) -> float:
        """Decode a register: volts at the output, a ratio (`is_ratio`), or the register's own unit.

        Raises:
            FormatError: the word can't be read.

        """
        override = self.overrides.get(name)
        if override is not None and not isinstance(override, SameAs):
            return override.decode(word) * self._factor(name)
        numbers = self._numbers(name)
        if numbers is Numbers.LINEAR11:
            return decode_linear11(word)
        if numbers is Numbers.NONE:
            return float(word)
        is_signed = numbers is Numbers.VOUT_SIGNED
        if is_signed and self.mode.kind is VoutKind.VID and word == 0:
            return 0.0  # no trim at all needs no format
        return self.mode.decode(word, signed=is_signed) * self._factor(name)

    def encode(self, name: str, x: float) -> int:
        """Encode volts at the output, a ratio, or the register's own unit; the inverse of `decode`."""
        override = self.overrides.get(name)
        if override is not None and not isinstance(override, SameAs):
            return override.encode(x / self._factor(name))
        numbers = self._numbers(name)
        if numbers is Numbers.LINEAR11:
            return encode_linear11(x)
        if numbers is Numbers.NONE:
            raise FormatError(f"{name} holds bits, no number")
        return self.mode.encode(x / self._factor(name), signed=numbers is Numbers.VOUT_SIGNED)

    def step(self, name: str, x: float) -> float:
        """Tell the distance between neighbouring numbers of a voltage register at ``x``."""
        override = self.overrides.get(name)
        if override is not None and not isinstance(override, SameAs):
            word = override.encode(x / self._factor(name))
            near = [word - 1 & 0xFFFF, word + 1 & 0xFFFF]
            return min(abs(self.decode(name, other) - self.decode(name, word)) for other in near)
        factor = self._factor(name)
        return self.mode.step(x / factor) * factor

    def per_step(self, name: str) -> float | None:
        """Tell the volts of one step where a word is a plain multiple of it, so that reading it is one product."""
        if name in self.overrides or self.mode.kind is not VoutKind.LINEAR:
            return None
        return 2.0**self.mode.parameter * self.scale

    def _numbers(self, name: str) -> Numbers:
        override = self.overrides.get(name)
        return override.numbers if isinstance(override, SameAs) else COMMANDS[name].numbers

    def _factor(self, name: str) -> float:
        return self.scale if self._numbers(name) in _VOLTAGES and not self.is_ratio(name) else 1.0
