"""Screening designs against published generators and tables, and against what they promise."""

from collections.abc import Callable
from itertools import combinations

import numpy as np
import pytest

from cornerrun.corners.measured import plan_coverage
from cornerrun.corners.screening import fold_over, fractional_factorial, plackett_burman, smallest_fraction
from cornerrun.corners.select import select
from cornerrun.corners.tuples import ArrayError, Ints
from cornerrun.plan.model import Plan, Rail, Screening


def signs(row: Ints) -> str:
    return "".join("+" if value > 0 else "-" for value in row)


def test_the_design_of_twelve_runs_is_the_published_one() -> None:
    # Generator from memory, properties computed (check values 11A6): cyclic rows, one of minus, X'X = 12 I, six plus
    # and six minus in each column, and every triple of the eleven columns is met.
    design = plackett_burman(11)
    assert signs(design[0]) == "++-+++---+-"
    assert signs(design[1]) == "-++-+++---+"
    assert signs(design[11]) == "-" * 11
    assert np.array_equal(design.T @ design, 12 * np.eye(11))
    assert np.array_equal((design > 0).sum(axis=0), [6] * 11)
    for triple in combinations(range(11), 3):
        assert len({tuple(row) for row in design[:, triple].tolist()}) == 8


@pytest.mark.parametrize(
    ("factors", "first"),
    [
        # Plackett and Burman (1946), as in the NIST/SEMATECH e-Handbook, 5.3.3.5; from memory.
        (7, "+++-+--"),
        (19, "++--++++-+-+----++-"),
        (23, "+++++-+-++--++--+-+----"),
    ],
)
def test_first_rows_are_the_published_ones(factors: int, first: str) -> None:
    assert signs(plackett_burman(factors)[0]) == first


@pytest.mark.parametrize("factors", range(1, 88))
def test_columns_are_orthogonal_and_balanced_in_the_next_multiple_of_four(factors: int) -> None:
    design = plackett_burman(factors)
    assert len(design) == factors // 4 * 4 + 4
    assert np.array_equal(design.T @ design, len(design) * np.eye(factors))
    assert not design.sum(axis=0).any()


def test_where_no_matrix_is_at_hand_the_next_order_is_taken() -> None:
    design = plackett_burman(89)  # 92 needs Williamson's construction
    assert len(design) == 96
    assert np.array_equal(design.T @ design, 96 * np.eye(89))


@pytest.mark.parametrize("factors", [5, 11, 18, 64])
def test_folded_over_no_main_effect_is_mixed_up_with_an_interaction_of_two(factors: int) -> None:
    design = fold_over(plackett_burman(factors))
    for one, other in list(combinations(range(factors), 2))[:300]:
        assert not (design.T @ (design[:, one] * design[:, other])).any()


@pytest.mark.parametrize(
    ("base", "generators", "resolution", "words"),
    [
        # NIST/SEMATECH e-Handbook, 5.3.3.4.7, summary tables of useful fractional factorial designs; from memory.
        (2, ["AB"], 3, ["ABC"]),
        (3, ["ABC"], 4, ["ABCD"]),
        (4, ["ABCD"], 5, ["ABCDE"]),
        (3, ["AB", "AC"], 3, ["ABD", "ACE", "BCDE"]),
        (4, ["ABC", "BCD"], 4, ["ABCE", "ADEF", "BCDF"]),
        (6, ["ABCD", "ABEF"], 5, ["ABCDG", "ABEFH", "CDEFGH"]),
        (4, ["BCD", "ACD", "ABC", "ABD"], 4, None),
        (3, ["AB", "AC", "BC", "ABC"], 3, None),
    ],
)
def test_defining_relations_are_the_published_ones(
    base: int, generators: list[str], resolution: int, words: list[str] | None
) -> None:
    found = fractional_factorial(base, generators)
    assert found.resolution == resolution
    assert len(found.words) == 2 ** len(generators) - 1
    if words is not None:
        assert ["".join(word) for word in found.words] == words
    for word in found.words:
        assert len(set(np.prod(found.rows[:, [found.factors.index(name) for name in word]], axis=1).tolist())) == 1


def test_aliases_of_the_half_fraction_of_four_are_the_published_ones() -> None:
    # I = ABCD: AB = CD, AC = BD, AD = BC (the textbook example; by hand).
    found = fractional_factorial(3, ["ABC"]).aliases()
    assert found[:4] == ((("A",),), (("B",),), (("C",),), (("D",),))
    assert set(found[4:]) == {(("A", "B"), ("C", "D")), (("A", "C"), ("B", "D")), (("A", "D"), ("B", "C"))}


def test_effects_are_aliases_exactly_where_their_columns_are_the_same() -> None:
    found = smallest_fraction("PQRSTUVW", 4)

    def column(effect: tuple[str, ...]) -> tuple[int, ...]:
        return tuple(np.prod(found.rows[:, [found.factors.index(name) for name in effect]], axis=1).tolist())

    groups = found.aliases(3)
    assert all(len({column(effect) for effect in group}) == 1 for group in groups)
    assert len({column(group[0]) for group in groups}) == len(groups)


def test_a_sign_turns_a_generator_round() -> None:
    plus, minus = fractional_factorial(2, ["AB"]), fractional_factorial(2, ["-AB"])
    assert np.array_equal(plus.rows[:, 2], -minus.rows[:, 2])


@pytest.mark.parametrize(
    ("factors", "resolution", "runs"),
    # Least runs by the published tables: 2^(7-4) III, 2^(8-4) IV, 2^(5-1) V, 2^(15-11) III, 2^(16-11) IV; from memory.
    [(7, 3, 8), (8, 4, 16), (5, 5, 16), (15, 3, 16), (16, 4, 32), (64, 4, 128), (1, 3, 2), (3, 4, 8)],
)
def test_the_smallest_fraction_has_the_runs_of_the_tables(factors: int, resolution: int, runs: int) -> None:
    found = smallest_fraction([f"R{number}" for number in range(factors)], resolution)
    assert found.rows.shape == (runs, factors)
    assert found.resolution >= min(resolution, factors + 1)
    assert np.array_equal(found.rows.T @ found.rows, runs * np.eye(factors))


@pytest.mark.parametrize(
    "call",
    [
        lambda: plackett_burman(0),
        lambda: plackett_burman(4096),
        lambda: fractional_factorial(3, ["AX"]),
        lambda: fractional_factorial(3, ["AA"]),
        lambda: fractional_factorial(3, [""]),
        lambda: fractional_factorial(3, ["AB", "AB"]),
        lambda: fractional_factorial(0),
        lambda: fractional_factorial(2, ["AB"], ["x", "y"]),
        lambda: smallest_fraction([], 4),
        lambda: smallest_fraction(["A", "A"], 4),
        lambda: smallest_fraction(["A", "B"], 6),
        lambda: smallest_fraction([str(number) for number in range(100)], 5),
    ],
)
def test_what_is_no_design_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ArrayError):
        call()


@pytest.mark.parametrize(("scheme", "count"), [
    (Screening(levels=("low", "high")), 12),
    (Screening(levels=("low", "high"), fold_over=True), 24),
    (Screening(levels=("low", "high"), resolution=4), 16),
    (Screening(levels=("low", "high"), rails=("R0", "R1", "R2")), 4),
])  # fmt: skip
def test_a_plan_visits_the_runs_of_a_design(
    make_plan: Callable[..., Plan], make_rail: Callable[..., Rail], scheme: Screening, count: int
) -> None:
    plan = make_plan([make_rail(f"R{number}", page=number) for number in range(8)], [scheme])
    selection = select(plan)
    assert [corner.name for corner in selection.corners] == [f"screening {n + 1}" for n in range(count)]
    assert plan_coverage(plan, selection, strength=2).ratio == 1.0
    for place in range(3):
        assert sum(corner.levels[place].level == "high" for corner in selection.corners) == count / 2


def test_a_run_that_is_forbidden_is_told(make_plan: Callable[..., Plan], make_rail: Callable[..., Rail]) -> None:
    rails = [make_rail("A"), make_rail("B", page=1)]
    plan = make_plan(rails, [Screening(levels=("low", "high"))], forbidden=[{"A": "high", "B": "low"}])
    selection = select(plan)
    assert len(selection.corners) == 3
    assert [item.reason for item in selection.not_runnable] == ["forbidden: A high, B low"]
