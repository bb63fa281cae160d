import math

import pytest

from cornerrun.bench.pmbus.formats import Direct
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.vout_words import VoutWords, mode_byte, reading_word, vout_mode


def mode(format: str = "linear", *, exponent: int = -12, direct: Direct | None = None, is_relative: bool = False):
    return vout_mode(format=format, exponent=exponent, direct=direct, is_relative=is_relative)


@pytest.mark.parametrize(
    ("made", "byte"),
    [
        # Bit 7 relative, 6:5 kind, 4:0 exponent: a register listing has 0x97 for relative, N = -9 (job.md 1.2).
        (mode(exponent=-9, is_relative=True), 0x97),
        (mode(exponent=-12), 0x14),
        (mode("direct", direct=Direct(1000, 0, 0)), 0x40),
        (mode("half"), 0x60),
    ],
)
def test_vout_mode_says_the_format(made, byte: int) -> None:
    assert mode_byte(made) == byte


def test_reads_the_words_of_a_published_relative_listing() -> None:
    # Register listing of a converter's reference page, decoded in job.md 1.2: VOUT_COMMAND 0x019A = 0.801 V,
    # MARGIN_HIGH 0x021A = 1.0508 (0.841 V), UV fault 0x01B2 = 0.8477.
    words = {Code.VOUT_COMMAND: 0x019A, Code.VOUT_MARGIN_HIGH: 0x021A, Code.VOUT_UV_FAULT_LIMIT: 0x01B2}
    volts = VoutWords(mode(exponent=-9, is_relative=True), words)
    assert volts.volts(Code.VOUT_COMMAND) == pytest.approx(0.801, abs=5e-4)
    assert volts.volts(Code.VOUT_MARGIN_HIGH) == pytest.approx(0.841, abs=1e-3)
    assert volts.volts(Code.VOUT_UV_FAULT_LIMIT) == pytest.approx(0.8477 * 0.801, abs=1e-3)


def test_trim_stays_absolute_and_signed() -> None:
    # 0xFFB4 at N = -13 is -9.3 mV (job.md 8, row 5).
    volts = VoutWords(mode(exponent=-13, is_relative=True), {Code.VOUT_TRIM: 0xFFB4, Code.VOUT_COMMAND: 0x2000})
    assert volts.volts(Code.VOUT_TRIM) == pytest.approx(-9.3e-3, abs=5e-5)


def test_half_precision_has_words_that_are_no_number() -> None:
    volts = VoutWords(mode("half"), {Code.VOUT_COMMAND: 0x4580})
    # 0x4580 = 5.5: Part II 1.3.1 section 8.4.4, as restated on a reference page.
    assert volts.volts(Code.VOUT_COMMAND) == 5.5
    assert volts.is_number(Code.VOUT_COMMAND, 0x4580)
    assert not volts.is_number(Code.VOUT_COMMAND, 0x7C00)
    assert not volts.is_number(Code.VOUT_COMMAND, 0x7E00)


def test_a_reading_beyond_the_format_shows_the_largest_that_it_holds() -> None:
    assert reading_word(mode(exponent=-14), 5.0) == 0xFFFF
    assert reading_word(mode("direct", direct=Direct(10000, 0, 0)), 5.0) == 0x7FFF
    assert math.isfinite(mode("half").decode(reading_word(mode("half"), 1e6)))
