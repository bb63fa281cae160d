from collections.abc import Callable, Mapping
from itertools import combinations, product

import pytest

from cornerrun.corners.model import Selection
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.model import AllRails, Condition, Covering, NamedCorner, Plan, Rail, Relation, Scheme, SingleRail

Make = Callable[..., Plan]
MakeRail = Callable[..., Rail]
BOTH = ("high", "low")


def pairs(selection: Selection) -> set[frozenset[tuple[str, str]]]:
    found = set()
    for corner in selection.corners:
        found |= {frozenset(pair) for pair in combinations(corner.by_rail().items(), 2)}
    return found


def missing(selection: Selection, rails: list[str], levels: tuple[str, ...]) -> set[frozenset[tuple[str, str]]]:
    wanted = {
        frozenset(((one, a), (other, b))) for one, other in combinations(rails, 2) for a, b in product(levels, repeat=2)
    }
    return wanted - pairs(selection)


def test_sixty_four_rails_meet_every_pair_of_levels_in_ten_corners(make_plan: Make, make_rail: MakeRail) -> None:
    # Kleitman and Spencer (1973): 10 rows suffice for 57 to 126 two-level factors
    rails = [f"R{i:02}" for i in range(64)]
    schemes = [AllRails(levels=BOTH), Covering(strength=2, levels=BOTH)]
    selection = select(make_plan([make_rail(name) for name in rails], schemes))
    assert len(selection.corners) == 10
    assert [corner.name for corner in selection.corners[:3]] == ["all high", "all low", "covering 1"]
    assert missing(selection, rails, BOTH) == set()


def test_nominal_may_be_one_of_the_levels(make_plan: Make, make_rail: MakeRail) -> None:
    rails = ["A", "B", "C", "D"]
    levels = ("high", "nominal", "low")
    selection = select(make_plan([make_rail(name) for name in rails], [Covering(strength=2, levels=levels)]))
    assert len(selection.corners) == 9
    assert missing(selection, rails, levels) == set()


def test_corners_of_other_schemes_count(make_plan: Make, make_rail: MakeRail) -> None:
    rails = ["A", "B", "C"]
    named = [
        NamedCorner(name=f"own {i}", levels=dict(zip(rails, row, strict=True)))
        for i, row in enumerate([("high", "high", "high"), ("low", "low", "high"), ("low", "high", "low")])
    ]
    selection = select(make_plan([make_rail(name) for name in rails], [*named, Covering(strength=2, levels=BOTH)]))
    assert [corner.name for corner in selection.corners] == ["own 0", "own 1", "own 2", "covering 1"]
    assert missing(selection, rails, BOTH) == set()


def test_tied_rails_are_one_factor_and_fixed_rails_none(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", tied_to="A"), make_rail("C"), make_rail("F", levels={}, why_fixed="ADC")]
    selection = select(make_plan(rails, [Covering(strength=2, levels=BOTH)]))
    assert len(selection.corners) == 4
    assert all(corner.by_rail()["A"] == corner.by_rail()["B"] for corner in selection.corners)


def test_a_rail_without_a_level_is_nominal_for_it(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B", levels={"low": 0.97})]
    selection = select(make_plan(rails, [Covering(strength=2, levels=BOTH)]))
    assert {corner.by_rail()["B"] for corner in selection.corners} == {"nominal", "low"}


def test_rails_not_named_stay_at_nominal(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail(name) for name in "ABC"]
    selection = select(make_plan(rails, [Covering(strength=2, levels=BOTH, rails=("A", "C"))]))
    assert {corner.by_rail()["B"] for corner in selection.corners} == {"nominal"}


def test_one_rail_gives_each_of_its_levels(make_plan: Make, make_rail: MakeRail) -> None:
    selection = select(make_plan([make_rail("A")], [Covering(strength=2, levels=BOTH)]))
    assert {corner.by_rail()["A"] for corner in selection.corners} == {"high", "low"}


def test_what_is_forbidden_is_listed_once_by_its_fewest_levels(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail(name) for name in "ABCDE"]
    plan = make_plan(rails, [Covering(strength=3, levels=BOTH)], forbidden=[{"A": "high", "B": "low"}])
    selection = select(plan)
    assert [(item.name, item.reason) for item in selection.not_runnable] == [
        ("A high, B low", "forbidden: A high, B low")
    ]
    assert missing(selection, list("ABCDE"), BOTH) == {frozenset({("A", "high"), ("B", "low")})}


def test_a_combination_forbidden_with_nominal_only_matters_where_nominal_is_met(
    make_plan: Make, make_rail: MakeRail
) -> None:
    rails = [make_rail(name) for name in "ABC"]
    schemes = [Covering(strength=2, levels=BOTH, rails=("A", "B"))]
    assert select(make_plan(rails, schemes, forbidden=[{"A": "nominal", "B": "high"}])).not_runnable == ()
    (refused,) = select(make_plan(rails, schemes, forbidden=[{"A": "high", "C": "nominal"}])).not_runnable
    assert refused.name == "A high"


def test_relations_rule_out_pairs_with_their_reason(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("IO", 1.8), make_rail("CORE", 0.9), make_rail("X"), make_rail("Y")]
    plan = make_plan(
        rails, [Covering(strength=2, levels=BOTH)], relations=[Relation(rail="IO", minus="CORE", max_v=1.0)]
    )
    selection = select(plan)
    assert [(item.name, item.reason) for item in selection.not_runnable] == [
        ("IO high, CORE low", "IO - CORE would be 1.035 V, above 1 V")
    ]
    assert len(missing(selection, ["IO", "CORE", "X", "Y"], BOTH)) == 1
    steps(plan, selection)


def test_corners_that_only_several_relations_rule_out_are_found(make_plan: Make, make_rail: MakeRail) -> None:
    # Each step of the ring may lead by 0.06 V one way round only: all three up together cannot be ordered
    rails = [make_rail(name) for name in "ABCD"]
    relations = [
        Relation(rail="A", minus="B", max_v=0.04),
        Relation(rail="B", minus="C", max_v=0.04),
        Relation(rail="C", minus="A", max_v=0.04),
    ]
    plan = make_plan(rails, [Covering(strength=2, levels=BOTH)], relations=relations)
    selection = select(plan)
    for corner in selection.corners:
        levels: Mapping[str, str] = corner.by_rail()
        assert len({levels[name] for name in "ABC"} - {"nominal"}) != 1
    reasons = {item.name: item.reason for item in selection.not_runnable}
    assert reasons, "what cannot be met is listed"
    steps(plan, selection)


def test_a_plan_that_allows_nothing_says_so(make_plan: Make, make_rail: MakeRail) -> None:
    forbidden = [{"A": "high"}, {"A": "low"}]
    selection = select(
        make_plan([make_rail("A"), make_rail("B")], [Covering(strength=2, levels=BOTH)], forbidden=forbidden)
    )
    assert selection.corners == ()
    assert selection.not_runnable[0].reason == "the forbidden combinations leave no row at all"


def test_two_covering_schemes_count_their_corners_on(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail(name) for name in "ABCD"]
    schemes = [
        Covering(strength=2, levels=BOTH, rails=("A", "B")),
        Covering(strength=2, levels=BOTH, rails=("C", "D")),
        SingleRail(levels=("high",)),
    ]
    names = [corner.name for corner in select(make_plan(rails, schemes)).corners]
    assert names[:8] == [f"covering {i}" for i in range(1, 9)]
    assert len(set(names)) == len(names)


def rails_of(count: int, make_rail: MakeRail) -> list[Rail]:
    return [make_rail(f"R{number}", page=number) for number in range(count)]


def conditions() -> list[Condition]:
    return [
        Condition(name="ambient", unit="degC", levels={"cold": -10.0, "hot": 60.0}),
        Condition(name="input", unit="V", levels={"low": 10.8, "mid": 12.0, "high": 13.2}),
    ]


@pytest.mark.parametrize("times", [2, 3])
def test_every_pair_is_met_as_often_as_asked_by_corners_of_their_own(
    make_plan: Make, make_rail: MakeRail, times: int
) -> None:
    scheme = Covering(strength=2, levels=BOTH, times=times)
    selection = select(make_plan(rails_of(5, make_rail), [AllRails(levels=BOTH), scheme]))
    assert len({corner.name for corner in selection.corners}) == len(selection.corners)
    for one, other in combinations(range(5), 2):
        for a, b in product(BOTH, repeat=2):
            met = sum(corner.levels[one].level == a and corner.levels[other].level == b for corner in selection.corners)
            assert met >= times


def test_two_rails_twice_are_the_same_four_corners_twice(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan(rails_of(2, make_rail), [Covering(strength=2, levels=BOTH, times=2)])
    assert len(select(plan).corners) == 8
    assert sum(not step.is_control for step in steps(plan, select(plan))) == 8


@pytest.mark.parametrize("schemes", [(), (AllRails(levels=BOTH),)])
def test_conditions_are_factors_where_they_are_named(
    make_plan: Make, make_rail: MakeRail, schemes: tuple[Scheme, ...]
) -> None:
    scheme = Covering(strength=2, levels=BOTH, conditions=("input", "ambient"))
    plan = make_plan(rails_of(6, make_rail), [*schemes, scheme], conditions=conditions())
    corners = select(plan).corners
    rows = [
        {**corner.by_rail(), **{item.condition: item.level for item in corner.conditions}} for corner in corners
    ]  # fmt: skip
    axes = {f"R{number}": BOTH for number in range(6)} | {"ambient": ("cold", "hot"), "input": ("low", "mid", "high")}
    for one, other in combinations(axes, 2):
        for a, b in product(axes[one], axes[other]):
            assert any(row[one] == a and row[other] == b for row in rows), (one, a, other, b)
    covering = [corner for corner in corners if corner.scheme == "covering"]
    assert len(covering) <= 12, "at every combination of conditions it would be 6 times 6 corners"


def test_a_condition_that_is_not_named_stays_outermost(make_plan: Make, make_rail: MakeRail) -> None:
    scheme = Covering(strength=2, levels=BOTH, conditions=("input",))
    plan = make_plan(rails_of(3, make_rail), [scheme], conditions=conditions())
    corners = select(plan).corners
    by_ambient = [
        sorted((corner.name.split(" @ ")[0], corner.conditions[1].level) for corner in corners
               if corner.conditions[0].level == level)
        for level in ("cold", "hot")
    ]  # fmt: skip
    assert by_ambient[0] == by_ambient[1]
    assert len(by_ambient[0]) == 6


def test_a_group_moves_as_one_factor(make_plan: Make, make_rail: MakeRail) -> None:
    rails = rails_of(6, make_rail)
    scheme = Covering(strength=2, levels=BOTH, together=(("R0", "R1"), ("R2", "R3", "R4")))
    selection = select(make_plan(rails, [AllRails(levels=BOTH), scheme]))
    assert len(selection.corners) == 4 + 1, "three factors: four corners, five with all high and all low in it"
    for corner in selection.corners:
        levels = corner.by_rail()
        assert levels["R0"] == levels["R1"]
        assert levels["R2"] == levels["R3"] == levels["R4"]
    assert missing(selection, ["R0", "R2", "R5"], BOTH) == set()


def test_corners_to_include_are_there_and_filled(make_plan: Make, make_rail: MakeRail) -> None:
    scheme = Covering(strength=2, levels=BOTH, include=({"R0": "high", "R1": "low", "R2": "high"},))
    selection = select(make_plan(rails_of(8, make_rail), [scheme]))
    first = selection.corners[0].by_rail()
    assert (first["R0"], first["R1"], first["R2"]) == ("high", "low", "high")
    assert set(first.values()) == {"high", "low"}
    assert len(selection.corners) == 6  # Kleitman and Spencer: six for eight factors, one row may be had for nothing


def test_a_corner_to_include_that_is_forbidden_is_told_and_the_rest_is_covered(
    make_plan: Make, make_rail: MakeRail
) -> None:
    scheme = Covering(strength=2, levels=BOTH, include=({"R0": "high", "R1": "low"},))
    plan = make_plan(rails_of(4, make_rail), [scheme], forbidden=[{"R0": "high", "R1": "low"}])
    selection = select(plan)
    assert "to be included, but forbidden: R0 high, R1 low" in [item.reason for item in selection.not_runnable]
    assert missing(selection, ["R0", "R1", "R2", "R3"], BOTH) == {frozenset({("R0", "high"), ("R1", "low")})}


def test_corners_visited_anyway_count_where_rails_are_tied(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [*rails_of(3, make_rail), make_rail("T", page=7, tied_to="R0")]
    plan = make_plan(rails, [AllRails(levels=BOTH), Covering(strength=2, levels=BOTH)])
    assert len(select(plan).corners) == 5
