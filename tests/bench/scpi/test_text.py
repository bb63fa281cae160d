"""Marks: the syntax of IEEE 488.2 and SCPI-99 is from memory, as are 9.9E37 (infinity) and 9.91E37 (not a number).

That 9.9E37 stands for over-range is restated in instrument manuals; -113, -350 and 0 in the list of SCPI errors.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.scpi.text import (
    channel_list,
    expecting,
    integer,
    is_overload,
    number,
    numbers,
    parse_channel_list,
    parse_error,
    parse_identity,
    shown,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),  # NR1
        ("+8.5", 8.5),  # NR2
        ("-.5", -0.5),
        ("5.", 5.0),
        ("+8.50000000E-01", 0.85),  # NR3
        ("8.5e-1", 0.85),
        (" 1.0E+00\r", 1.0),
        ("1.5E 3", 1500.0),
    ],
)
def test_reads_every_form_of_number(text: str, value: float) -> None:
    assert number(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    "text", ["", "nan", "inf", "-Infinity", "0,85", "1.0 V", "0x10", "1_000", "1e999", "--1", "٣", "E5", "OVLD"]
)
def test_refuses_what_is_no_number(text: str) -> None:
    with pytest.raises(ValueError, match="is no number"):
        number(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_reads_back_any_float_as_python_writes_it(value: float) -> None:
    assert number(repr(value)) == value


@given(st.text())
def test_never_fails_on_hostile_text_but_with_a_value_error(text: str) -> None:
    for read in (number, numbers, parse_error, parse_identity, parse_channel_list):
        try:
            read(text)
        except ValueError as error:
            assert str(error).isprintable()  # noqa: PT017 - most texts are refused, some are not


def test_reads_numbers_between_commas() -> None:
    assert numbers("+1.0E+00,-2,3.5") == (1.0, -2.0, 3.5)


@pytest.mark.parametrize("text", ["1,,2", "1,2,", "1;2"])
def test_refuses_a_list_with_a_hole(text: str) -> None:
    with pytest.raises(ValueError, match="is no number"):
        numbers(text)


@pytest.mark.parametrize(("value", "expected"), [(9.9e37, True), (-9.9e37, True), (9.91e37, True), (math.nan, True)])
def test_takes_infinity_and_not_a_number_for_no_data(value: float, *, expected: bool) -> None:
    assert is_overload(value) is expected


def test_takes_the_largest_voltage_of_a_bench_for_data() -> None:
    assert not is_overload(1000.0)


@pytest.mark.parametrize("text", ["-1", "256", "1.0", "", "+8.5E-01"])
def test_refuses_a_status_byte_that_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="is no integer from 0 to 255"):
        integer(text, greatest=255)


def test_takes_an_identity_apart_and_leaves_further_commas_to_the_firmware() -> None:
    identity = parse_identity("MAKER, MODEL 6,00042,1.0,boot 2")
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == (
        "MAKER",
        "MODEL 6",
        "00042",
        "1.0,boot 2",
    )


@pytest.mark.parametrize("text", ["", "hello", "A,B,C", ",,,", "A,B,C,\x07", "A,B,C,é"])
def test_refuses_an_identity_that_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="is no identity of four fields"):
        parse_identity(text)


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ('-113,"Undefined header;ROUT:SCAM"', -113, "Undefined header;ROUT:SCAM"),
        ('-350,"Queue overflow"', -350, "Queue overflow"),
        ('201,"a ""quoted"" word"', 201, 'a "quoted" word'),
        ("-224,Illegal parameter value", -224, "Illegal parameter value"),
        ("0", 0, ""),
    ],
)
def test_reads_entries_of_an_error_queue(text: str, code: int, said: str) -> None:
    entry = parse_error(text)
    assert (entry.code, entry.text) == (code, said)


@pytest.mark.parametrize("text", ["", "No error", "+8.5E-01", '"0"'])
def test_refuses_an_error_entry_without_a_code(text: str) -> None:
    with pytest.raises(ValueError, match="is no entry of an error queue"):
        parse_error(text)


def test_writes_runs_of_channels_as_ranges() -> None:
    assert channel_list([101, 103, 104, 105, 201, 202]) == "(@101,103:105,201,202)"


@given(st.lists(st.integers(min_value=1, max_value=9999), max_size=40))
def test_reads_back_every_channel_list_that_it_writes(channels: list[int]) -> None:
    assert parse_channel_list(channel_list(channels)) == tuple(channels)


def test_a_range_may_run_downwards() -> None:
    assert parse_channel_list("(@ 105 : 103 , 101 )") == (105, 104, 103, 101)


@pytest.mark.parametrize("text", ["101", "(101)", "(@101,)", "(@1:2:3)", "(@a)", "(@-1)", "(@1:)"])
def test_refuses_a_channel_list_that_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="is no channel"):
        parse_channel_list(text)


def test_refuses_a_channel_list_that_would_fill_the_memory() -> None:
    with pytest.raises(ValueError, match="more than 1000 channels"):
        parse_channel_list("(@1:999999999)")


def test_shows_an_endless_answer_in_one_printable_line() -> None:
    assert shown("\x00" + "9" * 1000) == f"'\\x00{'9' * 59}...'"


@pytest.mark.parametrize(
    ("expected", "wrong"),
    [
        ({}, None),
        ({"model": "model"}, None),
        ({"serial": " 0042 "}, None),
        ({"serial": "42"}, "another instrument: serial '0042' where the bench file says '42'"),
        ({"maker": "X", "firmware": "2"}, "maker 'MAKER' where the bench file says 'X'; firmware '1.0' where"),
    ],
)
def test_an_identity_may_be_expected_field_by_field(expected: dict[str, str], wrong: str | None) -> None:
    read = expecting(expected)
    if wrong is None:
        assert read("MAKER,MODEL,0042,1.0").serial == "0042"
    else:
        with pytest.raises(ValueError, match=wrong):
            read("MAKER,MODEL,0042,1.0")
