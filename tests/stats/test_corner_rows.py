import numpy as np
import pandas as pd
import pytest

from cornerrun.stats.corner_rows import as_corners
from cornerrun.stats.culprits import level_associations, surviving_suspects

MAPPINGS = [{"A": "low", "B": "high"}, {"A": "high", "B": "high"}, {"A": "low", "B": "low"}, {"A": "high", "B": "low"}]
FAILED = [True, False, False, False]
COLUMNS = {"A": ["low", "high", "low", "high"], "B": ["high", "high", "low", "low"]}


@pytest.mark.parametrize("levels", [MAPPINGS, iter(MAPPINGS), COLUMNS, pd.DataFrame(COLUMNS)])
def test_every_form_with_names_says_the_same(levels):
    (suspect,) = surviving_suspects(levels, FAILED)
    assert suspect.combination == (("A", "low"), ("B", "high"))


@pytest.mark.parametrize("rows", [[[0, 1], [1, 1], [0, 0], [1, 0]], np.array([[0, 1], [1, 1], [0, 0], [1, 0]])])
def test_rows_of_a_covering_array_call_rails_by_their_number(rows):
    (suspect,) = surviving_suspects(rows, np.array(FAILED))
    assert suspect.combination == ((0, 0), (1, 1))
    assert type(suspect.combination[0][0]) is int
    assert {item.rail for item in level_associations(rows, FAILED)} == {0, 1}


def test_rows_of_different_length_are_refused():
    with pytest.raises(ValueError, match="rows differ in length"):
        as_corners([[0, 1], [0]])


def test_columns_of_different_length_are_refused():
    with pytest.raises(ValueError, match="columns differ in length"):
        as_corners({"A": ["low"], "B": ["low", "high"]})


def test_corners_that_name_other_rails_are_refused():
    with pytest.raises(ValueError, match="same rails"):
        as_corners([{"A": "low"}, {"B": "low"}])


@pytest.mark.parametrize("levels", [["low", "high"], [1, 2], [{"A": "low"}, [0]]])
def test_what_is_no_levels_is_refused(levels):
    with pytest.raises(ValueError, match="one mapping or one row for each corner"):
        as_corners(levels)


def test_no_corners_have_no_suspects():
    assert surviving_suspects([], []) == ()
    assert level_associations([], []) == ()
