"""Words on the bus <-> numbers: every format that PMBus knows for voltages and telemetry, and the PEC.

Words are unsigned 16-bit integers as they come from a Read Word; the sign is the format's affair. Encoding rounds to
the nearest step and refuses what the format can't hold: nothing is clamped.
"""

import math
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import Self

from cornerrun.bench.pmbus.vid import Vid
from cornerrun.errors import FormatError

__all__ = [
    "Direct",
    "Vid",
    "VoutKind",
    "VoutMode",
    "decode_half",
    "decode_linear11",
    "encode_half",
    "encode_linear11",
    "pec",
]


def _twos_complement(word: int, bits: int) -> int:
    return word - (1 << bits) if word & 1 << (bits - 1) else word


def _checked_word(word: int) -> int:
    if not 0 <= word <= 0xFFFF:
        raise FormatError(f"{word!r} is no 16-bit word; a read word lies within 0..0xFFFF")
    return word


_REACH = 1e12  # chosen: far above what any format here holds, far below where scaling overflows a float


def _finite(x: float) -> float:
    if not -_REACH < x < _REACH:
        raise FormatError(f"{x!r} can't be encoded; it is not finite, or beyond every format")
    return x


def decode_linear11(word: int) -> float:
    """Decode LINEAR11: an 11-bit mantissa times two to a 5-bit exponent, both two's complement.

    Source: Linux ``drivers/hwmon/pmbus/pmbus_core.c``; PMBus Part II section 7 (section from memory).
    """
    _checked_word(word)
    return math.ldexp(_twos_complement(word & 0x7FF, 11), _twos_complement(word >> 11, 5))


def encode_linear11(x: float) -> int:
    """Encode LINEAR11 with the finest exponent that holds the number.

    The format isn't unique: compare decoded values, never words.

    Raises:
        FormatError: not finite, or beyond 1023 * 2**15 or -1024 * 2**15.

    """
    _finite(x)
    for exponent in range(-16, 16):
        mantissa = round(math.ldexp(x, -exponent))
        if -1024 <= mantissa <= 1023:
            return (exponent & 0x1F) << 11 | mantissa & 0x7FF
    raise FormatError(f"{x!r} is beyond what LINEAR11 holds (-33554432 to 33521664)")


def decode_half(word: int) -> float:
    """Decode IEEE 754 binary16; infinities and NaN come through as such and are for the caller to refuse.

    Source: IEEE 754; PMBus Part II 1.3.1 section 8.4.4.
    """
    (x,) = struct.unpack("<e", _checked_word(word).to_bytes(2, "little"))
    return float(x)


def encode_half(x: float) -> int:
    """Encode IEEE 754 binary16, rounded to nearest, ties to even.

    Raises:
        FormatError: not finite, or rounds beyond 65504.

    """
    try:
        return int.from_bytes(struct.pack("<e", _finite(x)), "little")
    except OverflowError as error:
        raise FormatError(f"{x!r} is beyond what half precision holds (65504)") from error


@dataclass(frozen=True, slots=True)
class Direct:
    """The DIRECT format: ``Y = (m * X + b) * 10**r``, Y a 16-bit two's complement word.

    Source: Linux ``Documentation/hwmon/pmbus-core.rst``; PMBus Part II 1.3.1 section 7.4.
    """

    m: int
    b: int
    r: int

    def __post_init__(self) -> None:
        if self.m == 0:
            raise FormatError("DIRECT with m = 0 holds no number; read COEFFICIENTS again")
        if not -128 <= self.r <= 127:
            raise FormatError(f"DIRECT with R = {self.r}: COEFFICIENTS holds it in one signed byte")

    def decode(self, word: int) -> float:
        """Decode a word."""
        y = _twos_complement(_checked_word(word), 16)
        # Powers of ten of positive exponent are exact: divide by them rather than multiply by 10**-r.
        scaled = y * 10.0**-self.r if self.r < 0 else y / 10.0**self.r
        return (scaled - self.b) / self.m

    def encode(self, x: float) -> int:
        """Encode a number, rounded to nearest; FormatError beyond -32768..32767."""
        exact = self.m * _finite(x) + self.b
        y = round(exact * 10.0**self.r if self.r >= 0 else exact / 10.0**-self.r)
        if not -0x8000 <= y <= 0x7FFF:
            raise FormatError(f"{x!r} becomes {y} with m={self.m}, b={self.b}, R={self.r}: beyond a 16-bit word")
        return y & 0xFFFF

    def step(self) -> float:
        """Tell the distance between neighbouring numbers."""
        return 10.0**-self.r / abs(self.m)


class VoutKind(Enum):
    """Bits 6:5 of VOUT_MODE."""

    LINEAR = 0
    VID = 1
    DIRECT = 2
    HALF = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class VoutMode:
    """How a page's output-voltage words are to be read (VOUT_MODE, command 0x20).

    With ``is_relative`` (PMBus 1.3) margins and limits are ratios to VOUT_COMMAND: what `decode` then returns for them
    is a ratio. VOUT_COMMAND, READ_VOUT, VOUT_MAX, VOUT_MIN and VOUT_TRIM stay absolute (scope from memory).
    ``parameter`` is the exponent in linear mode, the type of the table in VID mode, unused otherwise. ``direct`` gives
    the coefficients of direct mode, ``vid`` the table of VID mode: a word does not say which it is.

    Source: bits 7, 6:5 and 4:0 as in PMBus 1.3 data sheets; 1.2 has no relative bit.
    """

    kind: VoutKind
    parameter: int
    is_relative: bool = False
    direct: Direct | None = None
    vid: Vid | None = None

    @classmethod
    def from_byte(cls, byte: int, *, direct: Direct | None = None, vid: Vid | None = None) -> Self:
        """Read a VOUT_MODE byte; every byte has a meaning, though `decode` may refuse it."""
        if not 0 <= byte <= 0xFF:
            raise FormatError(f"VOUT_MODE {byte!r} is no byte")
        kind = VoutKind(byte >> 5 & 3)
        parameter = _twos_complement(byte & 0x1F, 5) if kind is VoutKind.LINEAR else byte & 0x1F
        return cls(kind=kind, parameter=parameter, is_relative=bool(byte & 0x80), direct=direct, vid=vid)

    def decode(self, word: int, signed: bool = False) -> float:
        """Decode an output-voltage word; ``signed`` for VOUT_TRIM and VOUT_CAL_OFFSET.

        Raises:
            FormatError: the mode is VID without its table, direct without coefficients, or one of both and relative;
                it is no word; or a signed word in VID mode, which means nothing.

        """
        if self.kind is VoutKind.LINEAR:
            mantissa = _twos_complement(_checked_word(word), 16) if signed else _checked_word(word)
            return math.ldexp(mantissa, self.parameter)
        if self.kind is VoutKind.HALF:
            return decode_half(word)
        if self.kind is VoutKind.VID:
            return self._table(signed).decode(word)
        return self._coefficients().decode(word)

    def encode(self, x: float, signed: bool = False) -> int:
        """Encode volts (or a ratio) into an output-voltage word, rounded to nearest; the inverse of `decode`.

        Raises:
            FormatError: as `decode`, or the number does not fit.

        """
        if self.kind is VoutKind.LINEAR:
            low, high = (-0x8000, 0x7FFF) if signed else (0, 0xFFFF)
            mantissa = round(math.ldexp(_finite(x), -self.parameter))
            if not low <= mantissa <= high:
                reach = f"{math.ldexp(low, self.parameter):g} to {math.ldexp(high, self.parameter):g}"
                raise FormatError(f"{x!r} does not fit a word of exponent {self.parameter}, which holds {reach}")
            return mantissa & 0xFFFF
        if self.kind is VoutKind.HALF:
            return encode_half(x)
        if self.kind is VoutKind.VID:
            return self._table(signed).encode(_finite(x))
        return self._coefficients().encode(x)

    def step(self, x: float) -> float:
        """Tell the distance between neighbouring numbers at ``x``, in its unit; FormatError as `decode`."""
        if self.kind is VoutKind.LINEAR:
            return math.ldexp(1.0, self.parameter)
        if self.kind is VoutKind.HALF:
            # binary16: 11 significant bits, least exponent -14 (IEEE 754)
            exponent = math.frexp(x)[1] if x else -13
            return math.ldexp(1.0, max(exponent, -13) - 11)
        if self.kind is VoutKind.VID:
            return self._table(False).step(x)
        return self._coefficients().step()

    def _table(self, signed: bool) -> Vid:
        if self.vid is None:
            raise FormatError(
                f"VOUT_MODE says VID, type {self.parameter}: no table of it is known here; give it in the device's "
                "profile (vout_vid)"
            )
        if self.is_relative:
            raise FormatError("VOUT_MODE says VID and relative: a code can't be a ratio")
        if signed:
            raise FormatError("VOUT_MODE says VID: a signed word (VOUT_TRIM, VOUT_CAL_OFFSET) is no code of its table")
        return self.vid

    def _coefficients(self) -> Direct:
        if self.is_relative:
            raise FormatError("VOUT_MODE says direct and relative: no source says how such words are read")
        if self.direct is None:
            raise FormatError("VOUT_MODE says direct: give its coefficients m, b and R in the device's profile")
        return self.direct


def _pec_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
        table.append(crc)
    return tuple(table)


_PEC_TABLE = _pec_table()


def pec(data: Iterable[int]) -> int:
    """Compute the packet error code over every byte of a message, address bytes with their R/W bit included.

    CRC-8, polynomial x^8 + x^2 + x + 1, initial value 0 (SMBus; polynomial from memory, checked on published messages).
    """
    crc = 0
    for byte in data:
        crc = _PEC_TABLE[crc ^ byte]
    return crc
