"""Covering arrays against a verifier that knows nothing of how they are made, and against published sizes.

Sizes: check_values 11, which are Colbourn's covering array tables (state of November 2024, as kept in
github.com/ugroempi/CAs) for best known ones, and the formula of Kleitman and Spencer (1973) and Katona (1973) for
two-level arrays of strength 2, which is exact. Best known sizes are upper bounds found by years of search: a ratio is
asserted, not equality.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.corners.constructions import bush, fewest_two_level, kleitman_spencer, roux
from cornerrun.corners.covering import coverage, covering_array, fewest_rows
from cornerrun.errors import PlanError

Row = tuple[int, ...]


def rows_of(array: Iterable[Iterable[int]]) -> list[Row]:
    return [tuple(int(level) for level in row) for row in array]


def is_allowed(row: Sequence[int], forbidden: Iterable[Mapping[int, int]]) -> bool:
    return not any(all(row[factor] == level for factor, level in one.items()) for one in forbidden)


def verify(
    rows: Sequence[Row],
    levels: Sequence[int],
    strength: int,
    forbidden: Sequence[Mapping[int, int]] = (),
    times: int = 1,
) -> int:
    """Check an array by brute force over every possible row; return how many tuples no allowed row holds."""
    assert all(len(row) == len(levels) for row in rows)
    assert all(0 <= level < count for row in rows for level, count in zip(row, levels, strict=True))
    assert all(is_allowed(row, forbidden) for row in rows), "a forbidden combination appears"
    possible = [row for row in product(*map(range, levels)) if is_allowed(row, forbidden)]
    infeasible = 0
    for columns in combinations(range(len(levels)), strength):
        feasible = {tuple(row[column] for column in columns) for row in possible}
        infeasible += math.prod(levels[column] for column in columns) - len(feasible)
        met = [tuple(row[column] for column in columns) for row in rows]
        for wanted in feasible:
            assert met.count(wanted) >= times, f"{wanted} of factors {columns} is met {met.count(wanted)} times"
    return infeasible


def missing(rows: Sequence[Row], levels: Sequence[int], strength: int) -> int:
    """Count the tuples that an unconstrained array does not meet."""
    return sum(
        math.prod(levels[column] for column in columns) - len({tuple(row[c] for c in columns) for row in rows})
        for columns in combinations(range(len(levels)), strength)
    )


# Published sizes


# Largest number of factors for N rows: formula, and equal to the published table (11, "Formula"; 11A1).
LARGEST = {4: 3, 5: 4, 6: 10, 7: 15, 8: 35, 9: 56, 10: 126, 11: 210, 12: 462, 13: 792}


@pytest.mark.parametrize(("rows", "factors"), LARGEST.items())
def test_the_two_level_minimum_is_the_published_one(rows: int, factors: int) -> None:
    assert fewest_two_level(factors) == rows
    assert fewest_two_level(factors + 1) == rows + 1


@pytest.mark.parametrize("factors", [2, 3, 4, 5, 8, 10, 11, 15, 16, 32, 35, 36, 56, 57, 64, 128])
def test_two_level_arrays_of_strength_2_have_the_least_rows_there_can_be(factors: int) -> None:
    rows = rows_of(covering_array([2] * factors, strength=2))
    assert len(rows) == fewest_two_level(factors)
    assert missing(rows, [2] * factors, 2) == 0


BEST_KNOWN = [
    # 11A2: three levels, strength 2
    *((3, 2, factors, rows) for factors, rows in ((4, 9), (5, 11), (7, 12), (9, 13), (10, 14), (20, 15), (21, 16))),
    # 11A3: two levels, strength 3
    *((2, 3, factors, rows) for factors, rows in ((4, 8), (5, 10), (11, 12), (12, 15), (14, 16), (16, 17), (20, 18))),
    # 11A4: four levels, strength 2
    *((4, 2, factors, rows) for factors, rows in ((5, 16), (6, 19), (7, 21), (9, 22), (12, 24))),
]


@pytest.mark.parametrize(("levels", "strength", "factors", "best"), BEST_KNOWN)
def test_other_arrays_come_near_the_best_known_sizes(levels: int, strength: int, factors: int, best: int) -> None:
    rows = rows_of(covering_array([levels] * factors, strength=strength))
    assert missing(rows, [levels] * factors, strength) == 0
    assert fewest_rows([levels] * factors, strength) <= best, "a bound above a known array is wrong"
    assert len(rows) <= 1.25 * best


def test_no_bound_lies_above_what_is_exact() -> None:
    # Orthogonal arrays are exact minima: L9 and the arrays of Bush (1952)
    assert fewest_rows([3] * 4, 2) == 9
    assert fewest_rows([4] * 5, 2) == 16
    assert fewest_rows([2] * 11, 3) == 12  # CAN(3, 11, 2) = 12, check_values 11A6
    assert fewest_rows([5, 3, 1, 2], 2) == 15


def test_the_orthogonal_array_of_nine_rows_is_the_published_one() -> None:
    # check_values 11A5: rows (i, j, i + j, i + 2 j mod 3), up to the order of columns and rows
    published = {(i, j, (i + j) % 3, (i + 2 * j) % 3) for i in range(3) for j in range(3)}
    ours = bush(3, 2)
    orders = ({tuple(row[column] for column in order) for row in rows_of(ours)} for order in _orders(4))
    assert any(found == published for found in orders)


def _orders(count: int) -> Iterable[tuple[int, ...]]:
    from itertools import permutations

    return permutations(range(count))


@pytest.mark.parametrize(
    ("levels", "strength"), [(2, 2), (3, 2), (3, 3), (4, 2), (4, 3), (5, 2), (7, 2), (8, 2), (9, 2)]
)
def test_orthogonal_arrays_hold_every_tuple_exactly_once(levels: int, strength: int) -> None:
    rows = rows_of(bush(levels, strength))
    for columns in combinations(range(levels + 1), strength):
        met = {tuple(row[column] for column in columns) for row in rows}
        assert len(met) == len(rows) == levels**strength


def test_the_matrix_of_order_twelve_is_the_published_one() -> None:
    # check_values 11A6: generator + + - + + + - - - + -, cyclic rows and one row of minus (from memory); its properties
    # are computed: X'X = 12 I, six of each level in each column, and every triple of its eleven columns is covered.
    signs = 1 - 2 * roux(11, np.random.default_rng(0))
    assert np.array_equal(signs.T @ signs, 12 * np.eye(11, dtype=int))
    assert np.all(signs.sum(axis=0) == 0)
    generator = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    published = {tuple(generator[(i - k) % 11] for i in range(11)) for k in range(11)} | {(-1,) * 11}
    ours = set(rows_of(signs))
    reordered = (
        {tuple(row[(scale * i + shift) % 11] for i in range(11)) for row in ours}
        for scale in range(1, 11)
        for shift in range(11)
    )
    assert published in list(reordered)


# Constraints


def test_what_no_row_can_hold_is_listed() -> None:
    forbidden = [{0: 0, 1: 1}, {0: 1, 2: 0, 3: 0}]
    levels = [2, 2, 2, 2, 3]
    rows = rows_of(covering_array(levels, forbidden=forbidden))
    assert verify(rows, levels, 2, forbidden) == 1
    found = coverage(rows, levels, strength=2, forbidden=forbidden)
    assert found.infeasible == (((0, 0), (1, 1)),)
    assert (found.total, found.feasible, found.covered) == (48, 47, 47)
    assert found.is_complete
    assert list(found.missing()) == []


def test_what_constraints_rule_out_only_together_is_found() -> None:
    # 0:0 needs 1:1, which needs 2:1; so 0:0 with 2:0 is impossible although nobody forbids it
    forbidden = [{0: 0, 1: 0}, {1: 1, 2: 0}]
    found = coverage([], [2, 2, 2], strength=2, forbidden=forbidden)
    assert ((0, 0), (2, 0)) in found.infeasible
    assert verify(rows_of(covering_array([2, 2, 2], forbidden=forbidden)), [2, 2, 2], 2, forbidden) == 3


def test_factors_tied_by_forbidden_combinations_move_together() -> None:
    forbidden = [{0: a, 1: b} for a in range(3) for b in range(3) if a != b]
    rows = rows_of(covering_array([3, 3, 3, 2], forbidden=forbidden))
    assert all(row[0] == row[1] for row in rows)
    verify(rows, [3, 3, 3, 2], 2, forbidden)


def test_pairs_do_as_well_as_mappings() -> None:
    one = covering_array([2, 2, 3], forbidden=[{0: 1, 2: 2}])
    other = covering_array([2, 2, 3], forbidden=[[(0, 1), (2, 2)]])
    assert np.array_equal(one, other)


@pytest.mark.parametrize("count", [5, 20, 100])
def test_many_constraints_are_kept(count: int) -> None:
    rng = np.random.default_rng(count)
    forbidden: list[dict[int, int]] = []
    while len(forbidden) < count:
        factors = rng.choice(14, int(rng.integers(2, 5)), replace=False).tolist()
        combination = {factor: int(rng.integers(2)) for factor in factors}
        if any(combination.values()):  # so that the row of zeros stays
            forbidden.append(combination)
    rows = rows_of(covering_array([2] * 14, forbidden=forbidden))
    assert verify(rows, [2] * 14, 2, forbidden) == len(
        coverage([], [2] * 14, strength=2, forbidden=forbidden).infeasible
    )


def test_the_same_seed_gives_the_same_array_and_another_one_may_differ() -> None:
    assert np.array_equal(covering_array([3] * 6, seed=4), covering_array([3] * 6, seed=4))
    assert len({covering_array([2] * 12, seed=seed).tobytes() for seed in range(4)}) > 1


# Rows that must be in


def test_rows_to_include_come_first_and_stay() -> None:
    include = [(0, 1, 0, 1, 2), (1, 1, 1, 1, 0)]
    rows = rows_of(covering_array([2, 2, 2, 2, 3], include=include))
    assert rows[:2] == include
    verify(rows, [2, 2, 2, 2, 3], 2)


@pytest.mark.parametrize(("factors", "least"), [(8, 7), (64, 10)])
def test_all_high_and_all_low_cost_little_beside_the_minimum(factors: int, least: int) -> None:
    # Both ends given, the other rows are sets none of which holds another (Sperner 1928): 2 + the least M with
    # C(M, floor(M / 2)) >= factors; for 64 that is the unconstrained minimum of 10 (computed, no published figure)
    include = [(0,) * factors, (1,) * factors]
    rows = rows_of(covering_array([2] * factors, include=include))
    assert rows[:2] == include
    assert len(rows) == least
    assert missing(rows, [2] * factors, 2) == 0


def test_rows_to_include_that_leave_one_row_to_add_are_not_shaved_below_it() -> None:
    rows = rows_of(covering_array([2, 3], strength=1, include=[(0, 0), (0, 1), (1, 0)]))
    assert rows[:3] == [(0, 0), (0, 1), (1, 0)]
    assert len(rows) == 4
    verify(rows, [2, 3], 1)


def test_any_single_row_can_be_had_at_the_minimum() -> None:
    wanted = (0, 1, 1, 0, 1, 0, 0, 0, 1, 1)
    rows = rows_of(covering_array([2] * 10, include=[wanted]))
    assert rows[0] == wanted
    assert len(rows) == 6


def test_a_level_left_open_in_a_row_is_chosen() -> None:
    rows = rows_of(covering_array([3, 3, 3, 2], include=[(2, None, -1, 1)]))  # type: ignore[list-item]
    assert (rows[0][0], rows[0][3]) == (2, 1)
    verify(rows, [3, 3, 3, 2], 2)


def test_an_open_level_is_chosen_so_that_the_row_is_allowed() -> None:
    forbidden = [{0: 1, 1: 0}, {1: 1, 2: 0}]
    rows = rows_of(covering_array([2, 2, 2], include=[(1, None, None)], forbidden=forbidden))
    assert rows[0] == (1, 1, 1)


# Replication


@pytest.mark.parametrize(
    ("levels", "times"), [([2] * 8, 2), ([2] * 8, 3), ([3, 3, 2, 2], 2), ([2, 2], 3), ([3] * 5, 2)]
)
def test_every_tuple_is_met_as_often_as_asked(levels: list[int], times: int) -> None:
    rows = rows_of(covering_array(levels, times=times))
    verify(rows, levels, 2, times=times)
    assert coverage(rows, levels, strength=2, times=times).is_complete
    assert len(rows) <= times * len(covering_array(levels))


def test_coverage_counts_what_is_met_often_enough_only() -> None:
    assert coverage([(0, 0), (0, 0), (1, 1)], [2, 2], strength=2, times=2).covered == 1


# Coverage of any array


def test_single_rails_meet_no_pair_of_levels_off_nominal() -> None:
    rows = [(0, -1, -1), (1, -1, -1), (-1, 0, -1), (-1, 1, -1), (-1, -1, 0), (-1, -1, 1)]
    assert coverage(rows, [2, 2, 2], strength=1).ratio == 1.0
    found = coverage(rows, [2, 2, 2], strength=2)
    assert (found.covered, found.feasible) == (0, 12)
    assert ((0, 1), (2, 0)) in list(found.missing())


def test_a_row_that_may_not_be_run_covers_nothing() -> None:
    assert coverage([(0, 0, 0)], [2, 2, 2], strength=2, forbidden=[{0: 0, 1: 0}]).covered == 0


def test_an_empty_array_covers_nothing() -> None:
    found = coverage([], [2, 3], strength=2)
    assert (found.covered, found.feasible, found.total, found.ratio) == (0, 6, 6, 0.0)


# Laws


@st.composite
def problems(draw: st.DrawFn) -> tuple[list[int], int, list[dict[int, int]], list[Row]]:
    levels = draw(st.lists(st.integers(1, 4), min_size=2, max_size=6))
    strength = draw(st.integers(1, min(3, len(levels))))
    pair = st.integers(0, len(levels) - 1).flatmap(lambda f: st.tuples(st.just(f), st.integers(0, levels[f] - 1)))
    forbidden = draw(st.lists(st.lists(pair, min_size=1, max_size=4).map(dict), max_size=6))
    row = st.tuples(*(st.integers(0, count - 1) for count in levels))
    return levels, strength, forbidden, draw(st.lists(row, max_size=3))


@settings(max_examples=120, deadline=None)
@given(problem=problems(), times=st.integers(1, 2), seed=st.integers(0, 3))
def test_everything_feasible_is_covered_and_nothing_forbidden_appears(
    problem: tuple[list[int], int, list[dict[int, int]], list[Row]], times: int, seed: int
) -> None:
    levels, strength, forbidden, wanted = problem
    include = [row for row in wanted if is_allowed(row, forbidden)]
    if not any(is_allowed(row, forbidden) for row in product(*map(range, levels))):
        with pytest.raises(PlanError, match="leave no row at all"):
            covering_array(levels, strength=strength, forbidden=forbidden, seed=seed)
        return
    array = covering_array(levels, strength=strength, forbidden=forbidden, include=include, times=times, seed=seed)
    rows = rows_of(array)
    infeasible = verify(rows, levels, strength, forbidden, times)
    assert rows[: len(set(include))] == list(dict.fromkeys(include))
    found = coverage(rows, levels, strength=strength, forbidden=forbidden, times=times)
    assert found.is_complete
    assert len(found.infeasible) == infeasible == found.total - found.feasible


@settings(max_examples=40, deadline=None)
@given(factors=st.integers(2, 40), seed=st.integers(0, 9))
def test_the_two_level_construction_is_complete_for_every_number_of_factors(factors: int, seed: int) -> None:
    rows = rows_of(kleitman_spencer(factors, np.random.default_rng(seed)))
    assert len(rows) == fewest_two_level(factors)
    assert missing(rows, [2] * factors, 2) == 0


# Bad input


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"levels": [2, 2], "forbidden": [{0: 0}, {0: 1}]}, "leave no row at all"),
        ({"levels": [2, 2], "forbidden": [{}]}, "names nothing"),
        ({"levels": [2, 2], "forbidden": [{5: 0}]}, "names level 0 of factor 5, which there is not"),
        ({"levels": [2, 2], "forbidden": [{1: 2}]}, "names level 2 of factor 1, which there is not"),
        ({"levels": [2]}, "strength 2 does not fit 1 factors"),
        ({"levels": []}, "strength 2 does not fit 0 factors"),
        ({"levels": [2, 2], "strength": 0}, "strength 0 does not fit"),
        ({"levels": [2, 0]}, "every factor needs one level at least"),
        ({"levels": [2, 2], "include": [[0]]}, "a row has 1 levels where there are 2 factors"),
        ({"levels": [2, 2], "include": [[0, 2]]}, "names a level that its factor does not have"),
        ({"levels": [2, 2], "include": [[0, 0]], "forbidden": [{0: 0, 1: 0}]}, "row 0 of those to be included"),
        ({"levels": [2, 2], "times": 0}, "every tuple is met once at least"),
        ({"levels": [2] * 300, "strength": 5}, "are too many; ask for less strength"),
    ],
)
def test_what_cannot_be_built_is_refused_with_a_reason(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(PlanError, match=message):
        covering_array(**arguments)  # type: ignore[arg-type]
