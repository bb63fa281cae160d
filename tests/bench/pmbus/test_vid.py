"""VID tables given by a profile."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.formats import VoutMode
from cornerrun.bench.pmbus.vid import Vid, VidSpan
from cornerrun.errors import FormatError

# VR11: V = 1.6 - (code - 2) * 6.25 mV for 0x02..0xB2 (Linux drivers/hwmon/pmbus/pmbus_core.c, vr11).
VR11 = Vid.of([VidSpan(first=0x02, last=0xB2, first_v=1.6, step_v=-6.25e-3)])


def kernel_vr11(code: int) -> float:
    """pmbus_reg2data_vid, case vr11: ``rv = DIV_ROUND_CLOSEST(160000 - (val - 2) * 625, 100)`` in millivolts."""
    return round((160000 - (code - 2) * 625) / 100) / 1000


@pytest.mark.parametrize("code", range(0x02, 0xB3))
def test_decodes_as_the_kernel_does_for_vr11(code: int) -> None:
    assert VR11.decode(code) == pytest.approx(kernel_vr11(code), abs=0.51e-3)  # the kernel rounds to millivolts


@given(code=st.integers(0x02, 0xB2))
def test_a_code_comes_back_from_its_voltage(code: int) -> None:
    assert VR11.encode(VR11.decode(code)) == code


@given(x=st.floats(0.5, 1.6))
def test_the_nearest_code_is_taken(x: float) -> None:
    assert abs(VR11.decode(VR11.encode(x)) - x) <= 6.25e-3 / 2 + 1e-12


@pytest.mark.parametrize("x", [1.604, 0.4968, -1.0, 1e6])
def test_what_lies_beyond_the_table_is_refused_and_not_clamped(x: float) -> None:
    with pytest.raises(FormatError, match="beyond the VID table"):
        VR11.encode(x)


@pytest.mark.parametrize("code", [0x00, 0x01, 0xB3, 0xFFFF])
def test_a_code_that_is_not_in_the_table_is_refused(code: int) -> None:
    with pytest.raises(FormatError, match="is not in the VID table"):
        VR11.decode(code)


def test_vout_mode_takes_the_table_and_refuses_what_it_can_not_mean() -> None:
    mode = VoutMode.from_byte(0x21, vid=VR11)
    assert mode.decode(0x02) == pytest.approx(1.6)
    assert mode.encode(1.0) == 0x02 + 96
    assert mode.step(1.0) == pytest.approx(6.25e-3)
    with pytest.raises(FormatError, match="a signed word"):
        mode.decode(1, signed=True)
    with pytest.raises(FormatError, match="can't be a ratio"):
        VoutMode.from_byte(0xA1, vid=VR11).decode(0x10)
    with pytest.raises(FormatError, match="give it in the device's profile"):
        VoutMode.from_byte(0x21).decode(0x10)


@pytest.mark.parametrize(
    ("spans", "message"),
    [
        ([], "one code at least"),
        ([VidSpan(first=1, last=3, first_v=1.0), VidSpan(first=3, last=4, first_v=2.0)], "0x03 stands twice"),
        ([VidSpan(first=5, last=4, first_v=1.0)], "no span"),
    ],
)
def test_a_table_that_is_none_is_refused(spans: list[VidSpan], message: str) -> None:
    with pytest.raises(FormatError, match=message):
        Vid.of(spans)


def test_a_table_may_be_a_list_of_single_codes_and_not_monotonous() -> None:
    table = Vid.of([VidSpan(first=7, last=7, first_v=0.9), VidSpan(first=1, last=1, first_v=1.2)])
    assert (table.encode(0.95), table.encode(1.19)) == (7, 1)
    assert Vid.of([VidSpan(first=3, last=3, first_v=1.0)]).encode(1.0) == 3
