"""What callers may give a covering array, and what is refused rather than misread."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from cornerrun.corners.array_input import FREE, read_combination, read_levels, read_rows, whole
from cornerrun.corners.covering import ArrayError, coverage, covering_array
from cornerrun.errors import PlanError


@pytest.mark.parametrize("levels", [[2, 3, 4], (2, 3, 4), np.array([2, 3, 4]), pd.Series([2, 3, 4]), [2.0, 3, 4]])
def test_numbers_of_levels_come_in_any_sequence(levels: Any) -> None:
    assert read_levels(levels) == (2, 3, 4)


@pytest.mark.parametrize("levels", ["22", 16, {"A": 2}, [2, 2.5], [2, float("nan")], [2, "2"], [["low", "high"]], None])
def test_levels_that_would_be_misread_are_refused(levels: Any) -> None:
    with pytest.raises(ArrayError, match=r"level"):
        covering_array(levels)


@pytest.mark.parametrize("strength", [0, -1, 3, 1.5, "2", None])
def test_a_strength_that_does_not_fit_is_refused(strength: Any) -> None:
    with pytest.raises(ArrayError, match="strength"):
        covering_array([2, 2], strength=strength)


def test_a_whole_strength_of_any_numeric_type_is_taken() -> None:
    assert len(covering_array([2, 2, 2], strength=np.int64(2))) == 4
    assert coverage([], [2, 2, 2], strength=2.0).strength == 2  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "combination",
    [{0: 1, 2: 0}, ((0, 1), (2, 0)), [[2, 0], [0, 1]], np.array([[0, 1], [2, 0]]), frozenset({(0, 1), (2, 0)})],
)
def test_a_forbidden_combination_is_a_mapping_or_pairs(combination: Any) -> None:
    assert read_combination(combination) == {(0, 1), (2, 0)}


@pytest.mark.parametrize("combination", [(1, 0, None), "ab", 3, None, {"VDD": 1}, {0: 0.5}, [(0, 1, 2)], ["ab"]])
def test_any_other_form_of_it_is_refused(combination: Any) -> None:
    with pytest.raises(ArrayError, match=r"forbidden combination|whole number"):
        covering_array([2, 2, 2], forbidden=[combination])


def test_one_combination_that_is_not_in_a_list_is_refused_with_the_form_wanted() -> None:
    with pytest.raises(ArrayError, match=r"\{factor: level\}"):
        covering_array([2, 2, 2], forbidden={0: 1, 1: 0})  # type: ignore[arg-type]
    with pytest.raises(ArrayError, match=r"\{factor: level\}"):
        covering_array([2, 2, 2], forbidden=((0, 1), (1, 0)))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "rows", [[[1, None, 0]], [(1, -1, 0)], np.array([[1, -1, 0]]), pd.DataFrame([[1, -1, 0]]), [{0: 1, 2: 0}]]
)
def test_rows_come_in_any_table(rows: Any) -> None:
    assert read_rows(rows, (2, 2, 2)).tolist() == [[1, FREE, 0]]
    array = covering_array([2, 2, 2], include=rows)
    assert array[0, 0] == 1
    assert array[0, 2] == 0


@pytest.mark.parametrize(
    "rows", [[1, 0, 1], [[1, 0]], [[2, 0, 0]], [[-2, 0, 0]], [[1, 0.5, 0]], [{3: 0}], ["101"], [[1, "0", 0]], "101", 7]
)
def test_rows_that_would_be_misread_are_refused(rows: Any) -> None:
    with pytest.raises(ArrayError):
        covering_array([2, 2, 2], include=rows)
    with pytest.raises(ArrayError):
        coverage(rows, [2, 2, 2], strength=2)


def test_none_forbids_and_includes_nothing() -> None:
    assert covering_array([2, 2, 2], forbidden=None, include=None).shape == (4, 3)


def test_the_error_is_one_of_the_plan_and_of_a_value() -> None:
    assert issubclass(ArrayError, PlanError)
    assert issubclass(ArrayError, ValueError)


def test_a_whole_number_is_not_rounded() -> None:
    assert whole(np.float64(3.0), "it") == 3
    with pytest.raises(ArrayError, match=r"it is a whole number; came 3\.2"):
        whole(3.2, "it")


def test_coverage_unpacks_into_covered_and_feasible() -> None:
    covered, feasible = coverage([[0, 0, 0]], [2, 2, 2], strength=2, forbidden=[{0: 1, 1: 1}])
    assert (covered, feasible) == (3, 11)


def test_nothing_is_feasible_where_everything_is_forbidden() -> None:
    found = coverage([[0, 0]], [2, 2], strength=2, forbidden=[{0: 0}, {0: 1}])
    assert (found.covered, found.feasible, found.total, len(found.infeasible)) == (0, 0, 4, 4)
    assert found.is_complete
