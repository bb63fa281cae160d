"""Marks: the syntax of program messages is from memory (IEEE 488.2 section 7, SCPI-99 volume 1 section 6)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.scpi.program import Pattern, split_message


@pytest.mark.parametrize(
    "header",
    ["SENS:VOLT:DC:NPLC", "SENSE:VOLTAGE:DC:NPLCYCLES", "VOLT:NPLC", "SENS1:VOLT:NPLC", "VOLTAGE:DC:NPLC"],
)
def test_a_pattern_takes_long_short_and_left_out_nodes(header: str) -> None:
    assert Pattern("[SENSe:]VOLTage[:DC]:NPLCycles").matches(header)


@pytest.mark.parametrize(
    "header", ["SENSE:VOLTA:NPLC", "NPLC", "SENS:VOLT:DC", "SENS:VOLT:DC:NPLC:X", "SENS2:VOLT:NPLC"]
)
def test_a_pattern_refuses_forms_in_between(header: str) -> None:
    assert not Pattern("[SENSe:]VOLTage[:DC]:NPLCycles").matches(header)


def test_a_header_without_a_colon_goes_on_from_the_branch_before() -> None:
    headers = [unit.header for unit in split_message("SENS:VOLT:DC:NPLC 1;RANG 10;*CLS;RANG?;:ROUT:SCAN (@101)")]
    assert headers == ["SENS:VOLT:DC:NPLC", "SENS:VOLT:DC:RANG", "*CLS", "SENS:VOLT:DC:RANG", "ROUT:SCAN"]


def test_separators_inside_lists_and_quotes_are_text() -> None:
    (scan, function) = split_message('rout:scan (@101,103:105);:sens:func "VOLT;DC,x"')
    assert scan.parameters == ("(@101,103:105)",)
    assert function.parameters == ('"VOLT;DC,x"',)


def test_a_question_mark_belongs_to_no_header() -> None:
    (unit,) = split_message("*idn?")
    assert (unit.header, unit.is_query) == ("*IDN", True)


@pytest.mark.parametrize("message", ["1VOLT", "VOLT::DC", "VOLT:DC (@101", 'FUNC "VOLT', "CONF:VOLT 1,,2", "?"])
def test_refuses_a_message_that_is_not_well_formed(message: str) -> None:
    with pytest.raises(ValueError, match=r"header|open|missing"):
        split_message(message)


@given(st.text())
def test_hostile_messages_are_refused_or_split(message: str) -> None:
    try:
        units = split_message(message)
    except ValueError:
        return
    assert all(unit.header for unit in units)
