"""In which order corners are visited, and that every order is one that the board can go."""

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.corners.model import Step
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.corners.settle_cost import SettleCost
from cornerrun.plan.model import (
    AllRails,
    ControlPoints,
    Covering,
    FullFactorial,
    NamedCorner,
    Plan,
    Relation,
    SingleRail,
)
from cornerrun.plan.supply import Response
from tests.corners.conftest import plan as make
from tests.corners.conftest import rail
from tests.corners.test_order import follow

ORDERS = ("as written", "fastest", "shuffled", "blocked", None)
RELATION = Relation(rail="R0", minus="R1", min_v=-0.07, max_v=0.07)


def board(count: int, *, strength: int = 2, **given: object) -> Plan:
    """Build a plan of rails that are slower from one to the next, covered."""
    rails = [rail(f"R{number}", page=number) for number in range(count)]
    rails = [
        replace(one, supply=replace(one.supply, response=Response(slew_v_per_s=1.0 / (number + 1))))
        for number, one in enumerate(rails)
    ]
    scheme = Covering(strength=strength, levels=("high", "low"))
    return make(rails, [scheme], **given)  # type: ignore[arg-type]


def ordered(plan: Plan, order: str | None, **given: object) -> Plan:
    return replace(plan, corners=replace(plan.corners, order=order, **given))


def visited(planned: tuple[Step, ...], repeat: int = 0) -> list[str]:
    return [step.corner.name for step in planned if not step.is_control and step.repeat == repeat]


def total_s(plan: Plan, planned: tuple[Step, ...]) -> float:
    return sum(SettleCost(plan).steps_s(planned))


def test_the_fastest_order_of_a_few_corners_is_the_fastest_of_all() -> None:
    plan = ordered(board(4), "fastest")
    selection = select(plan)
    least = min(
        total_s(plan, steps(ordered(plan, "as written"), replace(selection, corners=corners)))
        for corners in permutations(selection.corners)
    )
    assert total_s(plan, steps(plan, selection)) == pytest.approx(least)


@pytest.mark.parametrize("every", [None, 3])
def test_the_fastest_order_of_many_is_no_slower_than_as_written(every: int | None) -> None:
    plan = board(16, strength=3, control_points=ControlPoints(every=every))
    selection = select(plan)
    written = total_s(plan, steps(ordered(plan, "as written"), selection))
    assert total_s(plan, steps(ordered(plan, "fastest"), selection)) < 0.95 * written


def test_without_a_word_schemes_and_named_corners_stay_as_written(make_plan: Callable[..., Plan]) -> None:
    rails = [rail("A"), rail("B", page=1)]
    schemes = [
        NamedCorner(name="second", levels={"B": "low"}),
        NamedCorner(name="first", levels={"A": "low"}),
        FullFactorial(rails=("A", "B"), levels=("low", "high")),
        SingleRail(levels=("high",)),
        NamedCorner(name="last", levels={"A": "low", "B": "nominal"}),
    ]
    plan = make_plan(rails, schemes)
    found = visited(steps(plan, select(plan)))
    assert found[:2] == ["second", "first"]
    assert {name.count(",") for name in found[2:6]} == {1}
    assert {name.count(",") for name in found[6:]} == {0}


@settings(max_examples=40, deadline=None)
@given(count=st.integers(3, 7), order=st.sampled_from(ORDERS), seed=st.integers(0, 99), repeats=st.integers(1, 2),
       every=st.sampled_from([None, 1, 3]), via_nominal=st.booleans())  # fmt: skip
def test_every_step_of_every_order_is_admissible(
    *, count: int, order: str | None, seed: int, repeats: int, every: int | None, via_nominal: bool
) -> None:
    points = ControlPoints(every=every)
    plan = board(count, relations=[RELATION], control_points=points, via_nominal=via_nominal, repeats=repeats)
    plan = ordered(plan, order)
    selection = select(plan)
    planned = steps(plan, selection, seed=seed)
    follow(plan, planned)
    for repeat in range(repeats):
        assert sorted(visited(planned, repeat)) == sorted(corner.name for corner in selection.corners)


def test_a_shuffled_order_is_the_same_from_the_same_seed_and_another_in_each_sweep() -> None:
    plan = ordered(board(8), "shuffled")
    selection = select(plan)
    one = steps(plan, selection, seed=5, repeats=3)
    assert steps(plan, selection, seed=5, repeats=3) == one
    assert visited(one, 0) != visited(one, 1) != visited(one, 2)
    assert visited(steps(plan, selection, seed=6)) != visited(one, 0)


def test_the_seed_of_the_plan_wins_over_that_of_the_run() -> None:
    plan = ordered(board(8), "shuffled", seed=5)
    selection = select(plan)
    assert steps(plan, selection, seed=1) == steps(plan, selection, seed=2)
    assert steps(ordered(plan, "shuffled"), selection, seed=5) == steps(plan, selection)


def test_the_order_that_a_seed_draws_is_kept_from_version_to_version() -> None:
    # A run is taken up again by what its seed draws: an upgrade in between must not draw otherwise (SHA-256 by hand).
    plan = ordered(make([rail("A"), rail("B", page=1)], [SingleRail(levels=("high", "low"))]), "shuffled")
    assert visited(steps(plan, select(plan), seed=1)) == ["A low", "A high", "B low", "B high"]


@pytest.mark.parametrize("every", [4, None])
def test_blocks_hold_their_share_of_every_level(every: int | None) -> None:
    rails = [rail(f"R{number}", page=number) for number in range(4)]
    names = tuple(one.name for one in rails)
    plan = make(rails, [FullFactorial(rails=names, levels=("high", "low"))], control_points=ControlPoints(every=every))
    plan = ordered(plan, "blocked")
    planned = steps(plan, select(plan), seed=3)
    size = every or 10
    found = [step.corner for step in planned if not step.is_control]
    blocks = [found[start : start + size] for start in range(0, len(found), size)]
    for block in blocks:
        counts = Counter(item for corner in block for item in corner.levels)
        assert all(abs(count - len(block) / 2) <= 1 for count in counts.values()), counts


def test_all_rails_come_in_the_order_written_where_it_makes_no_difference() -> None:
    plan = make([rail("A"), rail("B", page=1)], [AllRails(levels=("high", "low"))])
    assert visited(steps(plan, select(plan))) == ["all high", "all low"]
