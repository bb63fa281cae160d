"""Number formats and PEC against published words, other libraries and laws.

Values come from data sheets that restate PMBus 1.2 and 1.3 unless a line names another source; "computed" marks
values with no published figure.
"""

import math

import crcmod.predefined
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.formats import (
    Direct,
    VoutKind,
    VoutMode,
    decode_half,
    decode_linear11,
    encode_half,
    encode_linear11,
    pec,
)
from cornerrun.errors import FormatError

WORDS = st.integers(0, 0xFFFF)


@pytest.mark.parametrize(
    ("word", "value"),
    [
        (0x9807, 8.544921875e-4),
        (0xF3E8, 250.0),
        (0xFABC, 350.0),
        (0xFB52, 425.0),
        (0xFBE8, 500.0),
        (0x023F, 575.0),
        (0x03E8, 1000.0),
        (0xD200, 8.0),
        (0x8000, 0.0),
        (0xE036, 3.375),
        (0xE010, 1.0),
        (0x7BFF, 33521664.0),  # computed
        (0x7C00, -33554432.0),  # computed
        (0xFFFF, -0.5),  # computed
    ],
)
def test_linear11_decodes_words_of_data_sheets_exactly(word: int, value: float) -> None:
    assert decode_linear11(word) == value
    assert decode_linear11(encode_linear11(value)) == value


@given(st.floats(-33554432.0, 33521664.0))
def test_linear11_comes_back_within_half_a_step_of_its_own_exponent(x: float) -> None:
    word = encode_linear11(x)
    exponent = (word >> 11) - 32 if word >> 15 else word >> 11
    assert abs(decode_linear11(word) - x) <= 2.0**exponent / 2


@given(WORDS)
def test_every_linear11_word_survives_as_a_number(word: int) -> None:
    value = decode_linear11(word)
    assert decode_linear11(encode_linear11(value)) == value


@pytest.mark.parametrize("x", [math.nan, math.inf, -math.inf, 1e308, 33554432.0, -33580000.0])
def test_linear11_refuses_what_it_cannot_hold(x: float) -> None:
    with pytest.raises(FormatError, match=r"LINEAR11|can't be encoded"):
        encode_linear11(x)


@pytest.mark.parametrize(
    ("volts", "word", "decoded"),
    [
        (4.75, 0x4C00, 4.75),
        (1.0, 0x1000, 1.0),
        (1.05, 0x10CD, 1.050048828125),
        (0.95, 0x0F33, 0.949951171875),
        (1.1, 0x119A, 1.10009765625),
        (1.075, 0x1133, 1.074951171875),
        (0.925, 0x0ECD, 0.925048828125),
        (0.9, 0x0E66, 0.89990234375),
        (4.096, 0x4189, 4.095947265625),
        (5.5, 0x5800, 5.5),
    ],
)
def test_linear_vout_encodes_to_the_published_word(volts: float, word: int, decoded: float) -> None:
    mode = VoutMode.from_byte(0x14)
    assert mode.parameter == -12
    assert mode.encode(volts) == word
    assert mode.decode(word) == decoded


@pytest.mark.parametrize(("volts", "word", "decoded"), [
    (0.05, 0x00CD, 0.050048828125),
    (-0.05, 0xFF33, -0.050048828125),
    (-0.025, 0xFF9A, -0.02490234375),
])  # fmt: skip
def test_a_trim_word_is_signed(volts: float, word: int, decoded: float) -> None:
    # computed, no published figure
    mode = VoutMode.from_byte(0x14)
    assert mode.encode(volts, signed=True) == word
    assert mode.decode(word, signed=True) == decoded


def test_a_small_negative_trim_is_not_eight_volts() -> None:
    # The word of a public register dump that a tool showed as 65460.
    assert VoutMode.from_byte(0x13).decode(0xFFB4, signed=True) == pytest.approx(-9.277e-3, abs=1e-6)


def test_exponent_minus_nine_reads_the_word_of_a_register_listing() -> None:
    assert VoutMode.from_byte(0x17).decode(0x0172) == 0.72265625


@pytest.mark.parametrize(
    ("word", "ratio"),
    [(0x021A, 1.0508), (0x01E6, 0.9492), (0x024D, 1.1504), (0x022E, 1.0898), (0x01CC, 0.8984), (0x01B2, 0.8477)],
)
def test_a_relative_mode_byte_is_linear_with_ratios(word: int, ratio: float) -> None:
    # Raw words from a PMBus 1.3 register listing; ratios computed to four decimals.
    mode = VoutMode.from_byte(0x97)
    assert (mode.kind, mode.parameter, mode.is_relative) == (VoutKind.LINEAR, -9, True)
    assert mode.decode(word) == pytest.approx(ratio, abs=5e-5)


@given(st.integers(0, 0x1F), WORDS, st.booleans())
def test_every_linear_word_comes_back(byte: int, word: int, signed: bool) -> None:
    mode = VoutMode.from_byte(byte)
    assert mode.encode(mode.decode(word, signed), signed) == word


@given(st.integers(0x10, 0x1F), st.floats(0.0, 1.9))
def test_linear_error_is_at_most_half_a_step(byte: int, volts: float) -> None:
    mode = VoutMode.from_byte(byte)
    try:
        word = mode.encode(volts)
    except FormatError:
        assert volts > 0xFFFF * mode.step(volts)
    else:
        assert abs(mode.decode(word) - volts) <= mode.step(volts) / 2


@pytest.mark.parametrize("volts", [-0.001, 16.0, math.nan, math.inf, 1e300, -1e300])
def test_linear_vout_refuses_what_a_word_cannot_hold(volts: float) -> None:
    with pytest.raises(FormatError, match=r"does not fit|can't be encoded"):
        VoutMode.from_byte(0x14).encode(volts)


@pytest.mark.parametrize("byte", range(0x20, 0x40))
def test_vid_is_refused_with_its_type(byte: int) -> None:
    mode = VoutMode.from_byte(byte)
    with pytest.raises(FormatError, match=f"VID, type {byte & 0x1F}"):
        mode.decode(0x10)


def test_direct_vout_needs_coefficients_and_uses_them() -> None:
    with pytest.raises(FormatError, match="coefficients"):
        VoutMode.from_byte(0x40).decode(1)
    mode = VoutMode.from_byte(0x40, direct=Direct(8, 0, 2))
    assert mode.encode(5.5) == 0x1130
    assert mode.decode(0x7FF8) == 40.95  # computed


def test_relative_direct_is_refused_since_no_source_defines_it() -> None:
    with pytest.raises(FormatError, match="relative"):
        VoutMode.from_byte(0xC0, direct=Direct(8, 0, 2)).decode(1)


@pytest.mark.parametrize(
    ("direct", "x", "y", "back"),
    [
        (Direct(8, 0, 2), 5.5, 4400, 5.5),
        (Direct(1000, 0, 0), 15.0, 15000, 15.0),
        # Coefficients of Linux drivers/hwmon/pmbus/lm25066.c; the decoded figures are computed from them.
        (Direct(22070, -1800, -2), 12.0, 2630, 11.998187584956955),
        (Direct(4587, -1200, -2), 12.0, 538, 11.990407673860911),
        (Direct(4587, -1200, -2), 48.0, 2190, 48.00523217789405),
    ],
)
def test_direct_agrees_with_published_coefficients(direct: Direct, x: float, y: int, back: float) -> None:
    assert direct.encode(x) == y
    assert direct.decode(y) == pytest.approx(back, rel=1e-15)


@given(st.integers(1, 30000), st.integers(-30000, 30000), st.integers(-4, 4), WORDS)
def test_every_direct_word_comes_back(m: int, b: int, r: int, word: int) -> None:
    direct = Direct(m, b, r)
    assert direct.encode(direct.decode(word)) == word


def test_direct_without_slope_is_refused() -> None:
    with pytest.raises(FormatError, match="m = 0"):
        Direct(0, 1, 1)


def test_direct_refuses_an_exponent_that_is_no_signed_byte() -> None:
    with pytest.raises(FormatError, match="signed byte"):
        Direct(1, 0, 400)


def test_direct_refuses_what_a_word_cannot_hold() -> None:
    with pytest.raises(FormatError, match="beyond a 16-bit word"):
        Direct(8, 0, 2).encode(41.0)


@pytest.mark.parametrize(("word", "value"), [
    (0x4580, 5.5),
    (0x3C00, 1.0), (0x4500, 5.0), (0x4A00, 12.0),  # computed
    (0x7BFF, 65504.0), (0x0400, 6.103515625e-05), (0x0001, 5.960464477539063e-08), (0xC580, -5.5),  # computed
])  # fmt: skip
def test_half_precision_decodes_exactly(word: int, value: float) -> None:
    assert decode_half(word) == value
    assert encode_half(value) == word


@given(WORDS)
def test_half_precision_equals_numpys_for_every_word(word: int) -> None:
    expected = float(np.array([word], dtype="<u2").view("<f2")[0])
    assert decode_half(word) == expected or (math.isnan(expected) and math.isnan(decode_half(word)))


@given(st.floats(-65504, 65504))
def test_half_precision_rounds_as_numpy_does(x: float) -> None:
    assert encode_half(x) == int(np.array([x], dtype="<f2").view("<u2")[0])


@pytest.mark.parametrize("x", [65520.0, -70000.0, math.nan, math.inf])
def test_half_precision_refuses_what_it_cannot_hold(x: float) -> None:
    with pytest.raises(FormatError, match=r"half precision|can't be encoded"):
        encode_half(x)


@given(st.floats(-60000, 60000))
def test_half_precision_step_bounds_the_error(x: float) -> None:
    mode = VoutMode.from_byte(0x60)
    assert abs(mode.decode(mode.encode(x)) - x) <= mode.step(x) / 2


@pytest.mark.parametrize("bad", [-1, 0x10000])
def test_no_format_takes_what_is_no_word(bad: int) -> None:
    for decode in (decode_linear11, decode_half, VoutMode.from_byte(0x14).decode, Direct(1, 0, 0).decode):
        with pytest.raises(FormatError, match="16-bit"):
            decode(bad)


@pytest.mark.parametrize("bad", [-1, 256])
def test_a_mode_that_is_no_byte_is_refused(bad: int) -> None:
    with pytest.raises(FormatError, match="no byte"):
        VoutMode.from_byte(bad)


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("313233343536373839", 0xF4),  # CRC catalogue, CRC-8/SMBUS, from memory
        ("160E178C86", 0xD8),  # TI SLUA475, message 11
        ("616263", 0x5F),  # published worked example
        ("00", 0x00),  # this line and below: computed
        ("01", 0x07),
        ("FF", 0xF3),
        ("B401A8", 0x05),
        ("B403", 0x12),
        ("B4213313", 0x57),
        ("B48BB50010", 0xAF),
        ("800180", 0x97),
        ("8001A8", 0x4F),
        ("808B813412", 0x9F),
    ],
)
def test_pec_of_published_messages(message: str, expected: int) -> None:
    assert pec(bytes.fromhex(message)) == expected


@given(st.binary(max_size=40))
def test_pec_equals_a_crc_library_and_leaves_no_residue(message: bytes) -> None:
    assert pec(message) == crcmod.predefined.mkPredefinedCrcFun("crc-8")(message)
    assert pec([*message, pec(message)]) == 0


@given(st.binary(min_size=1, max_size=40), st.data())
def test_pec_sees_every_single_flipped_bit(message: bytes, data: st.DataObject) -> None:
    bit = data.draw(st.integers(0, len(message) * 8 - 1))
    flipped = bytearray(message)
    flipped[bit // 8] ^= 1 << bit % 8
    assert pec(flipped) != pec(message)
