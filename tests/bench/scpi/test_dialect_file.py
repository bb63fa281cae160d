import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.scpi.dialect_file import State, filled, number_text
from cornerrun.bench.scpi.text import number


def test_holes_are_filled_with_numbers_as_the_standard_wants_them() -> None:
    assert filled("VOLT {value},(@{output})", value=0.85, output=2) == "VOLT 0.85,(@2)"
    assert filled("ROUT:SCAN {channels}", channels="(@101,102)") == "ROUT:SCAN (@101,102)"
    assert filled("OUTP ON") == "OUTP ON"


@given(st.floats(min_value=-1e6, max_value=1e6, allow_subnormal=False))
def test_a_number_that_is_written_is_read_back_within_nine_digits(value: float) -> None:
    assert number(number_text(value)) == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize(
    ("state", "answer", "holds"),
    [
        (State(ask="X?", mask=0x02), "2", True),
        (State(ask="X?", mask=0x02), "+5", False),
        (State(ask="X?", mask=0x02), "6.0", True),
        (State(ask="X?"), "1", True),
        (State(ask="X?"), "0", False),
        (State(ask="X?", equals="ON"), '"on"', True),
        (State(ask="X?", equals="1"), "1.0", True),
        (State(ask="X?", equals="ON"), "1", False),
    ],
)
def test_a_state_is_read_from_bits_numbers_or_words(state: State, answer: str, holds: bool) -> None:
    assert state.holds(answer) is holds


@pytest.mark.parametrize("state", [State(ask="X?"), State(ask="X?", mask=1)])
@pytest.mark.parametrize("answer", ["banana", "inf", "nan", "1e999", ""])
def test_an_answer_that_is_no_number_is_no_state(state: State, answer: str) -> None:
    with pytest.raises(ValueError, match="is no number"):
        state.holds(answer)
