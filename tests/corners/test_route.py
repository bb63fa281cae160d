"""The cheapest way through all places, against brute force over all orders."""

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.corners.route import EXACT_UP_TO, Floats, Ground, cheapest, length


def ground(count: int, seed: int, *, has_ends: bool = False, homes: float = 0.3) -> Ground:
    rng = np.random.default_rng(seed)
    ends: list[Floats | None] = [rng.random(count) if has_ends else None for _ in range(2)]
    return Ground(
        costs=rng.random((count, count)),
        home_out=rng.random(count),
        home_in=rng.random(count),
        by_home=(rng.random(count) < homes).tolist(),
        start=ends[0],
        end=ends[1],
    )


def by_hand(ground: Ground, order: tuple[int, ...]) -> float:
    """Add the cost up, way by way, by the definition."""
    start = ground.home_out if ground.start is None else ground.start
    end = ground.home_in if ground.end is None else ground.end
    total = float(start[order[0]] + end[order[-1]])
    for place, (a, b) in enumerate(pairwise(order)):
        by_home = float(ground.home_in[a] + ground.home_out[b])
        total += by_home if ground.by_home[place] else float(ground.costs[a, b])
    return total


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.integers(0, 10_000), st.booleans())
def test_no_order_of_a_few_places_costs_less(count: int, seed: int, has_ends: bool) -> None:
    one = ground(count, seed, has_ends=has_ends)
    least = min(by_hand(one, order) for order in permutations(range(count)))
    assert by_hand(one, cheapest(one)) == pytest.approx(least)


@given(st.integers(2, 9), st.integers(0, 10_000), st.booleans())
def test_the_length_is_the_sum_of_the_ways(count: int, seed: int, has_ends: bool) -> None:
    one = ground(count, seed, has_ends=has_ends)
    order = tuple(np.random.default_rng(seed).permutation(count).tolist())
    assert length(one, order) == pytest.approx(by_hand(one, order))


def test_of_equally_cheap_orders_the_one_given_is_kept() -> None:
    flat = Ground(costs=np.ones((7, 7)), home_out=np.ones(7), home_in=np.ones(7), by_home=[False] * 7)
    assert cheapest(flat) == tuple(range(7))
    many = Ground(costs=np.ones((40, 40)), home_out=np.ones(40), home_in=np.ones(40), by_home=[False] * 40)
    assert cheapest(many) == tuple(range(40))


@pytest.mark.parametrize("count", [0, 1])
def test_there_is_nothing_to_order_in_less_than_two(count: int) -> None:
    assert cheapest(ground(count, 1)) == tuple(range(count))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [EXACT_UP_TO + 1, 40, 170])
def test_many_places_are_each_visited_once_and_never_worse_than_given(count: int, seed: int) -> None:
    one = ground(count, seed)
    order = cheapest(one)
    assert sorted(order) == list(range(count))
    assert length(one, order) <= length(one, range(count)) + 1e-9
    assert cheapest(one) == order


def test_a_closed_round_of_many_places_is_found() -> None:
    """On a circle with home on it, the cheapest way goes round once: known without a search."""
    count = 30
    angle = 2 * np.pi * np.random.default_rng(3).permutation(np.arange(1, count + 1)) / (count + 1)
    points = np.exp(1j * angle)
    one = Ground(
        costs=np.abs(points[:, None] - points[None, :]),
        home_out=np.abs(points - 1),
        home_in=np.abs(points - 1),
        by_home=[False] * count,
    )
    assert length(one, cheapest(one)) == pytest.approx((count + 1) * abs(np.exp(2j * np.pi / (count + 1)) - 1))
