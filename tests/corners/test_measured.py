from collections.abc import Callable
from itertools import combinations

import pytest

from cornerrun.corners.measured import plan_coverage
from cornerrun.corners.select import select
from cornerrun.plan.model import AllRails, Covering, FullFactorial, NamedCorner, Plan, Rail, Relation, SingleRail

Make = Callable[..., Plan]
MakeRail = Callable[..., Rail]
BOTH = ("high", "low")


def counts(plan: Plan, strength: int) -> tuple[int, int, int]:
    found = plan_coverage(plan, select(plan), strength=strength)
    return found.covered, found.feasible, found.total


def by_hand(plan: Plan, strength: int) -> int:
    """Count the combinations off nominal that corners hold, by looking at each corner."""
    met = set()
    for corner in select(plan).corners:
        off = [item for item in corner.by_rail().items() if item[1] != "nominal"]
        met |= set(combinations(off, strength))
    return len(met)


def test_single_rails_cover_levels_and_no_pair(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail(name) for name in "ABCD"], [SingleRail(levels=BOTH)])
    assert counts(plan, 1) == (8, 8, 8)
    assert counts(plan, 2) == (0, 24, 24)
    assert counts(plan, 3) == (0, 32, 32)


def test_all_rails_cover_half_of_the_pairs(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail(name) for name in "ABCD"], [AllRails(levels=BOTH)])
    assert counts(plan, 2) == (12, 24, 24)
    assert plan_coverage(plan, select(plan), strength=2).ratio == 0.5


@pytest.mark.parametrize("strength", [1, 2, 3])
def test_every_scheme_is_counted_as_by_hand(make_plan: Make, make_rail: MakeRail, strength: int) -> None:
    schemes = [
        SingleRail(levels=("high",)),
        FullFactorial(rails=("A", "B"), levels=("low", "nominal", "high")),
        Covering(strength=2, levels=BOTH),
        NamedCorner(name="own", levels={"A": "high", "E": "low"}),
    ]
    plan = make_plan([make_rail(name) for name in "ABCDE"], schemes)
    assert counts(plan, strength)[0] == by_hand(plan, strength)


def test_what_constraints_cost_is_told(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("IO", 1.8), make_rail("CORE", 0.9), make_rail("X")]
    plan = make_plan(
        rails, [Covering(strength=2, levels=BOTH)], relations=[Relation(rail="IO", minus="CORE", max_v=1.0)]
    )
    found = plan_coverage(plan, select(plan), strength=2)
    assert (found.covered, found.feasible, found.total) == (11, 11, 12)
    assert found.infeasible == ({"IO": "high", "CORE": "low"},)


def test_a_level_that_needs_another_rail_at_nominal_is_feasible(make_plan: Make, make_rail: MakeRail) -> None:
    forbidden = [{"A": "high", "B": "high"}, {"A": "high", "B": "low"}]
    plan = make_plan([make_rail("A"), make_rail("B")], [SingleRail(levels=BOTH)], forbidden=forbidden)
    assert counts(plan, 1) == (4, 4, 4)
    assert counts(plan, 2) == (0, 2, 4)


def test_levels_that_no_scheme_names_are_not_counted(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [
        make_rail("A", levels={"high": 1.05, "low": 0.95, "low7": 0.93}),
        make_rail("B", tied_to="A"),
        make_rail("C"),
    ]
    rails[1] = make_rail("B", tied_to="A", levels=rails[0].levels)
    plan = make_plan(rails, [AllRails(levels=("high",))])
    assert counts(plan, 1) == (2, 2, 2)


def test_fewer_rails_than_strength_leave_nothing_to_cover(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A")], [AllRails(levels=BOTH)])
    assert counts(plan, 2) == (0, 0, 0)
    assert plan_coverage(plan, select(plan), strength=2).ratio == 1.0
