"""OPERATION bytes are those of data sheets that restate PMBus 1.2 and 1.3; 0x94 and 0xA4 derive from the bit fields."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.operation import (
    Side,
    cml_bits,
    is_acting_on_faults,
    margin_of,
    obeys_operation,
    protection,
    with_margin,
    without_output,
)

BYTES = st.integers(0, 0xFF)


@pytest.mark.parametrize(
    ("byte", "side", "acts"),
    [
        (0x80, Side.NOMINAL, False),
        (0x94, Side.LOW, False),
        (0x98, Side.LOW, True),
        (0xA4, Side.HIGH, False),
        (0xA8, Side.HIGH, True),
        (0x90, Side.LOW, False),
    ],
)
def test_published_operation_bytes_are_told_apart(byte: int, side: Side, acts: bool) -> None:
    assert margin_of(byte) is side
    assert is_acting_on_faults(byte) is acts


def test_avsbus_is_no_margin_source() -> None:
    assert margin_of(0xB0) is None


@given(BYTES, st.sampled_from([0x00, 0x98, 0xA8]))
def test_selecting_a_margin_changes_bits_5_to_2_only(current: int, wanted: int) -> None:
    new = with_margin(current, wanted)
    assert new & 0xC3 == current & 0xC3
    assert new & 0x3C == wanted & 0x3C


def test_the_margin_codes_come_out_of_a_plain_on() -> None:
    assert with_margin(0x80, 0xA8) == 0xA8
    assert with_margin(0xA8, 0x98) == 0x98
    assert with_margin(0x98, 0x00) == 0x80


@given(BYTES)
def test_off_clears_the_output_and_any_margin(current: int) -> None:
    assert without_output(current) & 0xFC == 0
    assert without_output(current) & 0x03 == current & 0x03


def test_write_protect_lets_through_what_its_level_allows() -> None:
    # Linux drivers/hwmon/pmbus/pmbus.h
    assert protection(0x00) is None
    assert protection(0x80) == {"WRITE_PROTECT"}
    assert protection(0x40) == {"WRITE_PROTECT", "OPERATION", "PAGE"}
    assert protection(0x20) == {"WRITE_PROTECT", "OPERATION", "PAGE", "ON_OFF_CONFIG", "VOUT_COMMAND"}
    assert protection(0xFF) == frozenset()


def test_on_off_config_bit_3_decides_whether_operation_turns_on_and_off() -> None:
    assert obeys_operation(0x1A)
    assert not obeys_operation(0x16)


def test_communication_faults_are_named() -> None:
    assert cml_bits(0xA2) == ("command unknown or not supported", "PEC wrong", "other communication fault")
    assert cml_bits(0) == ()
