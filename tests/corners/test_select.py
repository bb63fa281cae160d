from collections.abc import Callable

import pytest

from cornerrun.corners.model import Selection
from cornerrun.corners.select import select
from cornerrun.errors import PlanError
from cornerrun.plan.model import (
    AllRails,
    Condition,
    FullFactorial,
    NamedCorner,
    Plan,
    Rail,
    Relation,
    SingleRail,
    Tracks,
)

Make = Callable[..., Plan]
MakeRail = Callable[..., Rail]
BOTH = ("high", "low")


def names(selection: Selection) -> list[str]:
    return [corner.name for corner in selection.corners]


def levels(selection: Selection, name: str) -> dict[str, str]:
    return next(dict(corner.by_rail()) for corner in selection.corners if corner.name == name)


def test_all_rails_gives_one_corner_a_level(make_plan: Make, make_rail: MakeRail) -> None:
    selection = select(make_plan([make_rail("A"), make_rail("B")], [AllRails(levels=("high", "low"))]))
    assert names(selection) == ["all high", "all low"]
    assert levels(selection, "all low") == {"A": "low", "B": "low"}
    assert selection.corners[0].scheme == "all_rails"


def test_a_rail_without_the_level_stays_at_nominal(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", levels={"low": 0.97})]
    selection = select(make_plan(rails, [AllRails(levels=("high",))]))
    assert levels(selection, "all high") == {"A": "high", "B": "nominal"}


def test_a_level_that_no_rail_has_is_listed_as_not_runnable(make_plan: Make, make_rail: MakeRail) -> None:
    selection = select(make_plan([make_rail("A")], [AllRails(levels=("low7",))]))
    assert selection.corners == ()
    assert selection.not_runnable[0].name == "all low7"
    assert "no rail has a level 'low7'" in selection.not_runnable[0].reason


def test_single_rail_moves_one_rail_at_a_time_and_never_a_fixed_one(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("FIXED", levels={}, why_fixed="bus pull-ups"), make_rail("B")]
    selection = select(make_plan(rails, [SingleRail(levels=("high", "low"))]))
    assert names(selection) == ["A high", "A low", "B high", "B low"]
    assert levels(selection, "A high") == {"A": "high", "B": "nominal"}
    assert selection.not_runnable == ()


def test_single_rail_says_why_a_rail_named_cannot_move(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("FIXED", levels={}, why_fixed="bus pull-ups")]
    selection = select(make_plan(rails, [SingleRail(levels=("high",), rails=("FIXED", "A"))]))
    assert names(selection) == ["A high"]
    assert selection.not_runnable[0].reason == "FIXED is never moved (bus pull-ups)"


def test_tied_rails_move_as_one_factor_named_by_its_leader(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", tied_to="A"), make_rail("C")]
    selection = select(make_plan(rails, [SingleRail(levels=("high",))]))
    assert names(selection) == ["A high", "C high"]
    assert levels(selection, "A high") == {"A": "high", "B": "high", "C": "nominal"}


def test_a_tied_rail_without_the_level_takes_it_from_the_whole_tie(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", tied_to="A", levels={"low": 0.95})]
    selection = select(make_plan(rails, [SingleRail(levels=("high", "low"))]))
    assert names(selection) == ["A low"]
    assert selection.not_runnable[0].reason == "B, tied to A, has no level 'high'"


def test_full_factorial_meets_every_combination_once(make_plan: Make, make_rail: MakeRail) -> None:
    scheme = FullFactorial(rails=("A", "B"), levels=("low", "nominal", "high"))
    selection = select(make_plan([make_rail("A"), make_rail("B"), make_rail("C")], [scheme]))
    assert len(selection.corners) == 9
    assert len({corner.levels for corner in selection.corners}) == 9
    assert "nominal" in names(selection)
    assert all(corner.by_rail()["C"] == "nominal" for corner in selection.corners)


def test_full_factorial_beyond_any_run_is_refused_with_the_count(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail(f"R{i}") for i in range(20)]
    scheme = FullFactorial(rails=tuple(item.name for item in rails), levels=("low", "high"))
    with pytest.raises(PlanError, match="20 rails asks for 1,048,576 corners"):
        select(make_plan(rails, [scheme]))


def test_a_corner_asked_for_twice_stands_once_under_the_plans_own_name(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B")]
    schemes = [
        AllRails(levels=("high",)),
        NamedCorner(name="hot core", levels={"A": "high", "B": "high"}),
        FullFactorial(rails=("A", "B"), levels=("high",)),
    ]
    selection = select(make_plan(rails, schemes))
    assert names(selection) == ["hot core"]
    assert selection.corners[0].aliases == ("all high", "A high, B high")
    assert selection.corners[0].scheme == "all_rails"


def test_two_corners_under_one_name_are_told_apart(make_plan: Make, make_rail: MakeRail) -> None:
    schemes = [AllRails(levels=("high",)), NamedCorner(name="all high", levels={"A": "low"})]
    selection = select(make_plan([make_rail("A"), make_rail("B")], schemes))
    assert names(selection) == ["all high", "all high (A low)"]


def test_a_forbidden_combination_is_listed_with_its_reason(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B"), make_rail("C")]
    scheme = FullFactorial(rails=("A", "B"), levels=("low", "high"))
    selection = select(make_plan(rails, [scheme], forbidden=[{"A": "high", "B": "low"}]))
    assert len(selection.corners) == 3
    assert [item.name for item in selection.not_runnable] == ["A high, B low"]
    assert selection.not_runnable[0].reason == "forbidden: A high, B low"


def test_a_forbidden_combination_reaches_through_ties_and_tracking(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [
        make_rail("A"),
        make_rail("B", tied_to="A"),
        make_rail("Q", 1.2),
        make_rail("T", 0.6, tracks=Tracks(rail="Q", ratio=0.5)),
    ]
    forbidden = [{"B": "high", "T": "low"}]
    scheme = FullFactorial(rails=("A", "Q"), levels=("low", "high"))
    selection = select(make_plan(rails, [scheme], forbidden=forbidden))
    assert [item.name for item in selection.not_runnable] == ["A high, Q low"]


def test_a_forbidden_combination_may_name_nominal(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B")]
    selection = select(make_plan(rails, [SingleRail(levels=("high",))], forbidden=[{"A": "high", "B": "nominal"}]))
    assert names(selection) == ["B high"]


def test_a_corner_that_breaks_a_relation_is_not_runnable(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("IO", 1.8), make_rail("CORE", 0.9)]
    relations = [Relation(rail="IO", minus="CORE", max_v=1.0)]
    selection = select(
        make_plan(rails, [FullFactorial(rails=("IO", "CORE"), levels=("low", "high"))], relations=relations)
    )
    refused = {item.name: item.reason for item in selection.not_runnable}
    assert set(refused) == {"IO high, CORE low"}
    assert refused["IO high, CORE low"] == "IO - CORE would be 1.035 V, above 1 V"


def test_a_corner_that_no_order_of_moves_reaches_is_not_runnable(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B")]
    relations = [Relation(rail="A", minus="B", min_v=-0.03, max_v=0.03)]
    selection = select(make_plan(rails, [AllRails(levels=("high",))], relations=relations))
    assert selection.corners == ()
    assert "on the way, whichever of A, B moves first" in selection.not_runnable[0].reason


def test_a_named_corner_that_pulls_tied_rails_apart_is_not_runnable(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", tied_to="A")]
    selection = select(make_plan(rails, [NamedCorner(name="skew", levels={"A": "high", "B": "low"})]))
    assert selection.not_runnable[0].reason == "B at low and A at high, but the two are tied"


def test_conditions_nest_around_the_corners_outermost_first(make_plan: Make, make_rail: MakeRail) -> None:
    conditions = [
        Condition(name="ambient", unit="degC", levels={"cold": -10.0, "hot": 60.0}),
        Condition(name="input", unit="V", levels={"low": 10.8, "high": 13.2}),
    ]
    selection = select(make_plan([make_rail("A")], [AllRails(levels=("high", "low"))], conditions=conditions))
    there_and_back = [("cold", "low"), ("cold", "high"), ("hot", "high"), ("hot", "low")]
    assert names(selection) == [
        f"all {level} @ ambient {ambient}, input {supply}" for ambient, supply in there_and_back for level in BOTH
    ]
    assert [item.value for item in selection.corners[-1].conditions] == [60.0, 10.8]
