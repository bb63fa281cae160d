"""Formats against implementations that are not ours: numpy's float16, a CRC library, the kernel's arithmetic."""

import crcmod
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.formats import (
    Direct,
    VoutMode,
    decode_half,
    decode_linear11,
    encode_half,
    encode_linear11,
    pec,
)

CRC8_SMBUS = crcmod.mkCrcFun(0x107, initCrc=0, rev=False, xorOut=0)


@given(data=st.binary(max_size=300))
def test_the_packet_error_code_is_that_of_a_crc_library(data: bytes) -> None:
    assert pec(data) == CRC8_SMBUS(data)
    assert pec(data + bytes((pec(data),))) == 0  # a message with its code appended has no residue


def test_every_half_precision_word_is_read_as_numpy_reads_it() -> None:
    words = np.arange(0x10000, dtype=np.uint16)
    ours = np.array([decode_half(int(word)) for word in words])
    np.testing.assert_array_equal(ours, words.view(np.float16).astype(np.float64))


@given(x=st.floats(-65504, 65504))
def test_half_precision_is_rounded_as_numpy_rounds_it(x: float) -> None:
    assert encode_half(x) == int(np.float16(x).view(np.uint16))


def kernel_linear11(word: int) -> float:
    """pmbus_reg2data_linear of Linux drivers/hwmon/pmbus/pmbus_core.c, in floating point: s16 arithmetic and shifts."""
    signed = word - 0x10000 if word & 0x8000 else word
    exponent = signed >> 11
    mantissa = ((word & 0x7FF) << 5 & 0xFFFF) - (0x10000 if word & 0x400 else 0)
    return float((mantissa >> 5) * 2.0**exponent)


def test_every_linear11_word_is_read_as_the_kernel_reads_it() -> None:
    for word in range(0x10000):
        assert decode_linear11(word) == kernel_linear11(word)


@given(word=st.integers(0, 0xFFFF))
def test_linear11_keeps_every_number_that_it_holds(word: int) -> None:
    x = decode_linear11(word)
    assert decode_linear11(encode_linear11(x)) == x


# m, b, R of Linux drivers/hwmon/pmbus/lm25066.c: voltages, currents, power and temperature of five parts.
KERNEL_COEFFICIENTS = [
    (22070, -1800, -2), (22070, -1800, -2), (13661, -5200, -2), (736, -3300, -2), (1580, -5700, -1),
    (6720, 0, -3), (4587, -1200, -2), (4587, -2400, -2), (10753, -1200, -2), (1204, -6000, -3), (16, -14000, -2),
]  # fmt: skip


@pytest.mark.parametrize(("m", "b", "r"), KERNEL_COEFFICIENTS)
def test_direct_is_read_as_the_kernel_reads_it(m: int, b: int, r: int) -> None:
    direct = Direct(m, b, r)
    for word in (*range(0, 0x1000, 37), 0x7FFF, 0x8000, 0xFFFF):
        y = word - 0x10000 if word & 0x8000 else word
        # Documentation/hwmon/pmbus-core.rst: X = 1/m * (Y * 10^-R - b)
        assert direct.decode(word) == pytest.approx((y * 10.0**-r - b) / m, rel=1e-12)
        assert direct.encode(direct.decode(word)) == word


@pytest.mark.parametrize("byte", range(0x20))
def test_linear16_takes_the_exponent_of_vout_mode_as_the_kernel_does(byte: int) -> None:
    # pmbus_core.c: data->exponent[page] = ((s8)(vout_mode << 3)) >> 3
    shifted = byte << 3 & 0xFF
    exponent = (shifted - 0x100 if shifted & 0x80 else shifted) >> 3
    assert VoutMode.from_byte(byte).decode(1000) == 1000 * 2.0**exponent
