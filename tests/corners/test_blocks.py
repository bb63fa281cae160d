"""Conditions around corners: which combinations are visited, in which order, and what rails may do there."""

from itertools import combinations, pairwise, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.corners.blocks import condition_blocks
from cornerrun.corners.measured import plan_coverage
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.errors import PlanError
from cornerrun.plan.model import AllRails, Condition, Covering, ForbiddenAt, NamedCorner, SingleRail
from cornerrun.plan.trim_model import TrimSweep
from tests.corners.conftest import plan as make_plan
from tests.corners.conftest import rail as make_rail

BOTH = ("high", "low")
INPUT = Condition(name="input", unit="V", levels={"low": 10.8, "nominal": 12.0, "high": 13.2})


def ambient(**given_):
    return Condition(name="ambient", unit="degC", levels={"cold": -20.0, "room": 25.0, "hot": 70.0}, **given_)


def rails(count):
    return [make_rail(name, page=page) for page, name in enumerate("ABCDEF"[:count])]


def levels_of(block):
    return tuple(item.level for item in block)


def rows(plan):
    return [
        {**corner.by_rail(), **{item.condition: item.level for item in corner.conditions}}
        for corner in select(plan).corners
    ]


def test_the_outer_condition_changes_once_a_level_and_the_inner_one_stays_meanwhile():
    blocks = [levels_of(block) for block in condition_blocks(make_plan(rails(1), conditions=[ambient(), INPUT]))]
    assert blocks[:4] == [("cold", "low"), ("cold", "nominal"), ("cold", "high"), ("room", "high")]
    changes = [sum(a != b for a, b in zip(*pair, strict=True)) for pair in pairwise(blocks)]
    assert changes == [1] * 8


def test_as_written_keeps_the_order_of_the_file():
    plan = make_plan(rails(1), conditions=[ambient(), INPUT], order="as written")
    assert [levels_of(block) for block in condition_blocks(plan)] == list(
        product(("cold", "room", "hot"), ("low", "nominal", "high"))
    )


def test_four_corners_are_the_combinations_that_the_plan_names():
    wanted = [{"ambient": at, "input": level} for at in ("cold", "hot") for level in ("low", "high")]
    plan = make_plan(rails(2), [AllRails(levels=BOTH)], conditions=[ambient(), INPUT], asked=wanted)
    blocks = [levels_of(block) for block in condition_blocks(plan)]
    assert blocks == [("cold", "low"), ("cold", "high"), ("hot", "high"), ("hot", "low")]
    assert select(plan).not_runnable == (), "what nobody asked for is no corner that could not be run"


def test_a_condition_that_a_combination_does_not_name_is_at_every_level():
    plan = make_plan(rails(1), conditions=[ambient(), INPUT], asked=[{"ambient": "hot"}])
    assert {levels_of(block) for block in condition_blocks(plan)} == {
        ("hot", "low"),
        ("hot", "nominal"),
        ("hot", "high"),
    }


def test_a_forbidden_combination_of_conditions_is_left_out_with_its_reason():
    never = ForbiddenAt(levels={}, conditions={"ambient": "hot", "input": "high"})
    plan = make_plan(rails(1), [AllRails(levels=BOTH)], conditions=[ambient(), INPUT], forbidden_at=(never,))
    assert ("hot", "high") not in {levels_of(block) for block in condition_blocks(plan)}
    refused = select(plan).not_runnable
    assert [(item.name, item.reason) for item in refused] == [
        ("everything @ ambient hot, input high", "forbidden: ambient hot, input high")
    ]


def test_a_plan_that_forbids_every_combination_says_so():
    never = tuple(ForbiddenAt(levels={}, conditions={"ambient": level}) for level in ("cold", "room", "hot"))
    with pytest.raises(PlanError, match="every combination of conditions"):
        condition_blocks(make_plan(rails(1), conditions=[ambient()], forbidden_at=never))


def test_levels_that_are_not_allowed_at_a_condition_are_not_visited_there_and_told():
    conditions = [ambient(allow={"hot": {"A": ("low",)}})]
    plan = make_plan(rails(2), [AllRails(levels=BOTH), SingleRail(levels=BOTH)], conditions=conditions)
    at_hot = [row for row in rows(plan) if row["ambient"] == "hot"]
    assert {row["A"] for row in at_hot} == {"low", "nominal"}
    assert {row["B"] for row in at_hot} == {"low", "nominal", "high"}
    assert {row["A"] for row in rows(plan) if row["ambient"] == "cold"} == {"low", "nominal", "high"}
    assert {(item.name, item.reason) for item in select(plan).not_runnable} == {
        ("all high @ ambient hot", "not allowed at ambient hot: A high"),
        ("A high @ ambient hot", "not allowed at ambient hot: A high"),
    }
    visited = {step.corner.name for step in steps(plan, select(plan))}
    assert "nominal @ ambient hot" in visited, "control points stay"
    assert not {"all high @ ambient hot", "A high @ ambient hot"} & visited


def test_a_tied_rail_keeps_the_rail_that_leads_from_a_level():
    tied = [make_rail("A"), make_rail("B", tied_to="A", page=1)]
    plan = make_plan(tied, [AllRails(levels=BOTH)], conditions=[ambient(allow={"cold": {"B": ("high",)}})])
    assert [row["A"] for row in rows(plan) if row["ambient"] == "cold"] == ["high"]


def test_rails_together_may_be_forbidden_at_one_level_of_a_condition():
    never = ForbiddenAt(levels={"A": "high", "B": "low"}, conditions={"ambient": "cold"})
    named = NamedCorner(name="skew", levels={"A": "high", "B": "low"})
    plan = make_plan(rails(2), [named], conditions=[ambient()], forbidden_at=(never,))
    assert [row["ambient"] for row in rows(plan)] == ["room", "hot"]
    assert select(plan).not_runnable[0].reason == "forbidden: A high, B low, ambient cold"


def test_setpoints_of_a_characterisation_may_lie_between_the_levels_that_are_allowed():
    swept = {"trim -1": 0.95, "trim +1": 1.05}
    sweep = TrimSweep(rails=("A",), levels=("trim -1", "nominal", "trim +1"), repeats=1, together=True)
    rail = make_rail("A", levels={"high": 1.05, "low": 0.95, **swept})
    plan = make_plan([rail], [], conditions=[ambient(allow={"hot": {"A": ("low",)}})])
    plan = type(plan)(**{name: getattr(plan, name) for name in plan.__slots__} | {"trim": sweep})
    at_hot = {row["A"] for row in rows(plan) if row["ambient"] == "hot"}
    at_cold = {row["A"] for row in rows(plan) if row["ambient"] == "cold"}
    assert at_cold - at_hot == {"trim +1"}


def pairs_met(plan, at):
    found = set()
    for row in rows(plan):
        if row["ambient"] == at:
            found |= set(combinations([(rail, row[rail]) for rail in "ABCD"], 2))
    return found


def test_covering_meets_what_each_condition_allows_there():
    """Dropping the rows that hot forbids would lose pairs that it allows."""
    conditions = [ambient(allow={"hot": {"A": ("low",), "B": ("low",)}})]
    plan = make_plan(rails(4), [Covering(strength=2, levels=BOTH)], conditions=conditions)
    every = set(combinations([(rail, level) for rail in "ABCD" for level in BOTH], 2))
    every = {pair for pair in every if pair[0][0] != pair[1][0]}
    allowed = {pair for pair in every if not {("A", "high"), ("B", "high")} & set(pair)}
    assert every <= pairs_met(plan, "cold")
    assert allowed <= pairs_met(plan, "hot")
    assert not {pair for pair in pairs_met(plan, "hot") if ("A", "high") in pair}


def test_covering_over_conditions_takes_their_bounds_for_constraints_and_coverage_counts_them():
    conditions = [ambient(allow={"hot": {"A": ("low",)}}), INPUT]
    never = ForbiddenAt(levels={}, conditions={"ambient": "cold", "input": "low"})
    scheme = Covering(strength=2, levels=BOTH, conditions=("ambient", "input"))
    plan = make_plan(rails(4), [scheme], conditions=conditions, forbidden_at=(never,))
    factors = {**dict.fromkeys("ABCD", BOTH), "ambient": tuple(ambient().levels), "input": tuple(INPUT.levels)}
    asked = {
        ((one, level), (two, other))
        for one, two in combinations(factors, 2)
        for level in factors[one]
        for other in factors[two]
    }
    impossible = {(("A", "high"), ("ambient", "hot")), (("ambient", "cold"), ("input", "low"))}
    met = {pair for row in rows(plan) for pair in combinations([(name, row[name]) for name in factors], 2)}
    assert asked - impossible <= met
    assert not impossible & met
    found = plan_coverage(plan, select(plan), strength=2)
    assert (found.covered, found.feasible, found.total) == (len(asked) - 2, len(asked) - 2, len(asked))
    assert [dict(item) for item in found.infeasible] == [
        {"A": "high", "ambient": "hot"},
        {"ambient": "cold", "input": "low"},
    ]


@given(st.data())
def test_nothing_that_a_condition_does_not_allow_is_ever_visited(data):
    names = "ABC"
    allow = {
        level: {
            rail: tuple(data.draw(st.sets(st.sampled_from(BOTH))))
            for rail in data.draw(st.sets(st.sampled_from(names)))
        }
        for level in data.draw(st.sets(st.sampled_from(["cold", "hot"])))
    }
    around = data.draw(st.sampled_from([(), ("ambient",), ("ambient", "input")]))
    schemes = [AllRails(levels=BOTH), SingleRail(levels=BOTH), Covering(strength=2, levels=BOTH, conditions=around)]
    plan = make_plan(rails(3), schemes, conditions=[ambient(allow=allow), INPUT])
    for row in rows(plan):
        for rail, allowed in allow.get(row["ambient"], {}).items():
            assert row[rail] in (*allowed, "nominal")
    for step in steps(plan, select(plan)):
        here = {item.condition: item.level for item in step.corner.conditions}
        for rail, allowed in allow.get(here["ambient"], {}).items():
            assert step.corner.by_rail()[rail] in (*allowed, "nominal")
