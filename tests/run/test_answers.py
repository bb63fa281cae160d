import json
import math
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.plan.model import Acceptance
from cornerrun.run.answers import MOST_NUMBERS, Answer, clean, from_command, from_return, judged

ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary() | st.complex_numbers(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text() | st.integers(), inner),
    max_leaves=12,
)


@given(value=ANYTHING)
def test_whatever_is_returned_is_an_answer_or_says_why_not(value: object) -> None:
    answer = judged(from_return(value), {})
    assert (answer.passed is None) == bool(answer.trouble)
    assert all(isinstance(number, float) and math.isfinite(number) for number in answer.numbers.values())
    json.dumps([answer.trouble, dict(answer.numbers)]).encode()
    assert len(answer.trouble) < 1000


@given(status=st.integers(-70, 255), printed=st.text() | ANYTHING.map(repr))
def test_whatever_is_printed_is_an_answer_or_says_why_not(status: int, printed: str) -> None:
    answer = judged(from_command(status, printed), {})
    assert (answer.passed is None) == bool(answer.trouble)
    assert answer.passed is not True or status == 0


@given(number=st.floats(-1e9, 1e9), low=st.floats(-1e9, 1e9), high=st.floats(-1e9, 1e9))
def test_limits_include_their_ends(number: float, low: float, high: float) -> None:
    answer = judged(from_return({"x": number}), {"x": Acceptance(min=low, max=high)})
    assert answer.passed is (low <= number <= high)
    assert answer.passed or answer.reason


def test_an_open_limit_accepts_everything_on_its_side() -> None:
    assert judged(from_return(1e300), {"x": Acceptance(min=0)}).passed is True
    assert judged(from_return(-1e300), {"x": Acceptance(max=0)}).passed is True


@given(numbers=st.dictionaries(st.from_regex(r"[A-Za-z_][A-Za-z0-9_]{0,20}", fullmatch=True), st.floats(-1e9, 1e9)))
def test_numbers_printed_as_lines_or_as_json_come_back(numbers: Mapping[str, float]) -> None:
    lines = "".join(f"{name}={number!r}\n" for name, number in numbers.items())
    assert from_command(0, lines).numbers == dict(numbers)
    if numbers.keys() - {"passed"} == numbers.keys():
        assert from_command(0, json.dumps(numbers)).numbers == dict(numbers)


def test_the_last_line_of_a_name_counts() -> None:
    assert from_command(0, "errors=3\nretrying\nerrors=0\n").numbers == {"errors": 0.0}


def test_the_exit_code_overrules_what_was_printed() -> None:
    answer = judged(from_command(1, "errors=0\n"), {"errors": Acceptance(max=0)})
    assert (answer.passed, answer.reason) == (False, "exit code 1")


def test_a_status_above_128_tells_the_signal_that_a_shell_means_by_it() -> None:
    # POSIX sh 2.8.2: a command ended by a signal has a status greater than 128; shells use 128 + its number (common
    # practice, no source)
    assert from_command(139, "").reason == "exit code 139 (128 + SIGSEGV)"
    assert from_command(255, "").reason == "exit code 255"


def test_too_many_printed_numbers_are_no_answer() -> None:
    printed = "".join(f"n{i}={i}\n" for i in range(MOST_NUMBERS + 1))
    assert "more than 256" in from_command(0, printed).trouble


def test_a_verdict_does_not_excuse_a_number_beyond_its_limit() -> None:
    answer = judged(from_return({"passed": True, "errors": 4}), {"errors": Acceptance(max=0)})
    assert (answer.passed, answer.reason) == (False, "errors = 4, above 0")


def test_a_limit_does_not_excuse_a_verdict_that_says_no() -> None:
    assert judged(from_return({"passed": False, "errors": 0}), {"errors": Acceptance(max=0)}).passed is False


def test_a_bool_where_numbers_are_wanted_is_no_answer() -> None:
    answer = judged(from_return(True), {"errors": Acceptance(max=0)})
    assert answer.trouble == "no number is named 'errors'; it gave no number"


def test_an_answer_in_trouble_stays_in_trouble() -> None:
    assert judged(Answer(trouble="gone"), {"x": Acceptance()}).trouble == "gone"


@pytest.mark.parametrize("text", ["\0", "a\nb", "\ud800", "x" * 10_000, "\x1b[31mred", "\u202e"])
def test_texts_are_made_fit_for_stores_and_sheets(text: str) -> None:
    shown = clean(text)
    assert len(shown) <= 400
    assert shown.isprintable()
    shown.encode()
