from collections.abc import Callable, Mapping
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.corners.model import Step
from cornerrun.corners.order import return_order, step_from, steps
from cornerrun.corners.select import select
from cornerrun.errors import UsageError
from cornerrun.plan.model import (
    AllRails,
    Condition,
    ControlPoints,
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
NO_CONTROL = ControlPoints(first=False, last=False)


def walk(plan: Plan, **options: object) -> tuple[Step, ...]:
    return steps(plan, select(plan), **options)  # type: ignore[arg-type]


def names(walked: tuple[Step, ...]) -> list[str]:
    return [f"[{step.corner.name}]" if step.is_control else step.corner.name for step in walked]


def moves(step: Step) -> list[list[str]]:
    return [[f"{item.rail} {item.level}" for item in burst] for burst in step.moves]


def volts(plan: Plan, levels: Mapping[str, str]) -> dict[str, float]:
    """Targets by definition: followers take the ratio of their leader, fixed rails their nominal."""
    found = {rail.name: rail.levels[levels.get(rail.name, "nominal")] for rail in plan.rails if rail.tracks is None}
    for rail in plan.rails:
        if rail.tracks is not None:
            found[rail.name] = found[rail.tracks.rail] * rail.tracks.ratio
    return found


def assert_kept(plan: Plan, before: Mapping[str, str], burst: Mapping[str, str]) -> None:
    """Check every mix of old and new levels of a burst against every relation, by brute force."""
    rails = list(burst)
    for taken in product((False, True), repeat=len(rails)):
        state = dict(before) | {rail: burst[rail] for rail, is_new in zip(rails, taken, strict=True) if is_new}
        found = volts(plan, state)
        for relation in plan.relations:
            difference = found[relation.rail] - found[relation.minus]
            assert relation.min_v is None or difference >= relation.min_v - 1e-9, (before, burst, state)
            assert relation.max_v is None or difference <= relation.max_v + 1e-9, (before, burst, state)


def follow(plan: Plan, walked: tuple[Step, ...]) -> None:
    """Walk the steps, check each state on the way and on the way back, and that each corner is reached."""
    at = {rail.name: "nominal" for rail in plan.commanded_rails}
    for step in walked:
        for burst in step.moves:
            new = {item.rail: item.level for item in burst}
            assert len(new) == len(burst)
            assert all(at[rail] != level for rail, level in new.items()), "a move that moves nothing"
            assert_kept(plan, at, new)
            at |= new
        assert at == dict(step.corner.by_rail())
        back = dict(at)
        for names_back in step.return_order:
            new = dict.fromkeys(names_back, "nominal")
            assert_kept(plan, back, new)
            back |= new
        assert set(back.values()) <= {"nominal"}


def test_control_points_stand_first_last_and_after_every_nth_visit(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B"), make_rail("C")]
    plan = make_plan(rails, [SingleRail(levels=("high", "low"))], control_points=ControlPoints(every=2))
    assert names(walk(plan)) == [
        "[nominal]", "A high", "A low", "[nominal]", "B high", "B low", "[nominal]", "C high", "C low", "[nominal]",
    ]  # fmt: skip


def test_ordinals_count_every_step_from_zero(make_plan: Make, make_rail: MakeRail) -> None:
    walked = walk(make_plan([make_rail("A")], [AllRails(levels=("high", "low"))]))
    assert [step.ordinal for step in walked] == [0, 1, 2, 3]


def test_control_points_can_be_left_out(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A")], [AllRails(levels=("high",))], control_points=NO_CONTROL)
    assert names(walk(plan)) == ["all high"]


def test_a_plan_without_corners_is_one_control_point(make_plan: Make, make_rail: MakeRail) -> None:
    assert names(walk(make_plan([make_rail("A")]))) == ["[nominal]"]


def test_first_and_last_apply_to_each_block_and_every_counts_over_the_run(make_plan: Make, make_rail: MakeRail) -> None:
    conditions = [Condition(name="ambient", unit="degC", levels={"cold": -10.0, "hot": 60.0})]
    rails = [make_rail("A")]
    scheme = AllRails(levels=("high", "low"))
    plan = make_plan(rails, [scheme], conditions=conditions, control_points=ControlPoints(every=3))
    assert names(walk(plan)) == [
        "[nominal @ ambient cold]", "all high @ ambient cold", "all low @ ambient cold", "[nominal @ ambient cold]",
        "[nominal @ ambient hot]", "all high @ ambient hot", "[nominal @ ambient hot]", "all low @ ambient hot",
        "[nominal @ ambient hot]",
    ]  # fmt: skip


def test_sweeps_repeat_within_a_block(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A")], [AllRails(levels=("high", "low"))], repeats=2)
    walked = walk(plan)
    assert names(walked) == ["[nominal]", "all high", "all low", "all high", "all low", "[nominal]"]
    assert [step.repeat for step in walked] == [0, 0, 0, 1, 1, 1]


def test_rails_without_relations_move_in_one_burst(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A"), make_rail("B")], [AllRails(levels=("high", "low"))], control_points=NO_CONTROL)
    first, second = walk(plan)
    assert moves(first) == [["A high", "B high"]]
    assert moves(second) == [["A low", "B low"]]
    assert first.return_order == (("A", "B"),)


def test_a_rail_that_stays_is_not_moved(make_plan: Make, make_rail: MakeRail) -> None:
    schemes = [
        NamedCorner(name="one", levels={"A": "high"}),
        NamedCorner(name="both", levels={"A": "high", "B": "low"}),
    ]
    plan = make_plan([make_rail("A"), make_rail("B")], schemes, control_points=NO_CONTROL)
    assert moves(walk(plan)[1]) == [["B low"]]


def test_via_nominal_brings_every_rail_home_between_corners(make_plan: Make, make_rail: MakeRail) -> None:
    schemes = [
        NamedCorner(name="one", levels={"A": "high"}),
        NamedCorner(name="both", levels={"A": "high", "B": "low"}),
    ]
    plan = make_plan([make_rail("A"), make_rail("B")], schemes, control_points=NO_CONTROL, via_nominal=True)
    assert moves(walk(plan)[1]) == [["A nominal"], ["A high", "B low"]]


def test_another_level_on_the_same_side_is_reached_by_way_of_nominal(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A", levels={"high": 1.05, "low": 0.95, "low7": 0.93})]
    schemes = [AllRails(levels=("low", "low7", "high", "low"))]
    plan = make_plan(rails, schemes, control_points=NO_CONTROL)
    walked = walk(plan)
    assert [moves(step) for step in walked] == [[["A low"]], [["A nominal"], ["A low7"]], [["A high"]]]
    back = walk(plan, only=["all low", "all high"])
    assert [moves(step) for step in back] == [[["A low"]], [["A high"]]]


def test_a_margin_register_that_holds_another_level_is_reloaded_at_nominal(
    make_plan: Make, make_rail: MakeRail
) -> None:
    rails = [make_rail("A", levels={"high": 1.05, "low": 0.95, "low7": 0.93})]
    schemes = [AllRails(levels=("low7", "high", "low"))]
    walked = walk(make_plan(rails, schemes, control_points=NO_CONTROL))
    # low7 was the last word in the margin-low register when high was selected, so low cannot be selected from there
    assert moves(walked[2]) == [["A nominal"], ["A low"]]


def test_a_relation_decides_who_moves_first_and_who_returns_first(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("CORE", 0.9), make_rail("IO", 1.8)]
    relations = [Relation(rail="IO", minus="CORE", max_v=0.95)]
    plan = make_plan(rails, [AllRails(levels=("high", "low"))], relations=relations, control_points=NO_CONTROL)
    high, low = walk(plan)
    # IO high with CORE nominal would be 1.89 - 0.90 = 0.99 V
    assert moves(high) == [["CORE high"], ["IO high"]]
    assert high.return_order == (("IO",), ("CORE",))
    assert moves(low) == [["IO low"], ["CORE low"]]
    follow(plan, (high, low))


def test_a_feeding_rail_goes_up_first_and_down_last(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("CORE", 0.9, fed_by="BUS"), make_rail("BUS", 3.3), make_rail("OTHER")]
    high, low = walk(make_plan(rails, [AllRails(levels=("high", "low"))], control_points=NO_CONTROL))
    assert moves(high) == [["BUS high", "OTHER high"], ["CORE high"]]
    assert high.return_order == (("CORE", "OTHER"), ("BUS",))
    assert moves(low) == [["CORE low", "OTHER low"], ["BUS low"]]
    assert low.return_order == (("BUS", "OTHER"), ("CORE",))


def test_a_relation_comes_before_the_order_of_feeding(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("CORE", 0.9, fed_by="BUS"), make_rail("BUS", 3.3)]
    relations = [Relation(rail="BUS", minus="CORE", max_v=2.54)]
    (high,) = walk(make_plan(rails, [AllRails(levels=("high",))], relations=relations, control_points=NO_CONTROL))
    assert moves(high) == [["CORE high"], ["BUS high"]]


def test_rails_that_block_each_other_go_by_way_of_nominal(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B"), make_rail("C")]
    relations = [Relation(rail="A", minus="B", min_v=-0.06, max_v=0.06)]
    schemes = [AllRails(levels=("high", "low"))]
    plan = make_plan(rails, schemes, relations=relations, control_points=NO_CONTROL)
    walked = walk(plan)
    # from high to low directly, A and B would be 0.1 V apart, whichever moved first; C need not wait for them
    assert moves(walked[1]) == [["A nominal", "B nominal"], ["A low", "B low", "C low"]]
    follow(plan, walked)


def test_a_follower_is_held_to_its_relations_while_it_lags(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [
        make_rail("Q", 1.2),
        make_rail("T", 0.6, levels={"high": 0.63, "low": 0.57}, tracks=Tracks(rail="Q", ratio=0.5)),
    ]
    relations = [Relation(rail="Q", minus="T", min_v=0.5, max_v=0.645)]
    selection = select(make_plan(rails, [AllRails(levels=("high",))], relations=relations))
    assert "Q - T would be 660 mV, above 645 mV, while one lags" in selection.not_runnable[0].reason


def test_only_picks_corners_by_name_alias_or_pattern(make_plan: Make, make_rail: MakeRail) -> None:
    schemes = [SingleRail(levels=("high", "low")), NamedCorner(name="io up", levels={"B": "high"})]
    plan = make_plan([make_rail("A"), make_rail("B")], schemes, control_points=NO_CONTROL)
    assert names(walk(plan, only=["io up"])) == ["io up"]
    assert names(walk(plan, only=["B high"])) == ["io up"]
    assert names(walk(plan, only=["A *"])) == ["A high", "A low"]
    assert names(walk(plan, only=["nominal"])) == ["nominal"]


def test_only_says_what_an_unknown_corner_may_have_meant(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A")], [AllRails(levels=("high", "low"))])
    with pytest.raises(UsageError, match="no corner is called 'all hihg'; did you mean 'all high'"):
        walk(plan, only=["all hihg"])


def test_only_says_why_a_corner_is_not_runnable(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A")], [AllRails(levels=("high",))], forbidden=[{"A": "high"}])
    with pytest.raises(UsageError, match="'all high' is not runnable: forbidden: A high"):
        walk(plan, only=["all high"])


def test_a_step_is_laid_out_again_from_where_the_rails_are(make_plan: Make, make_rail: MakeRail) -> None:
    plan = make_plan([make_rail("A"), make_rail("B")], [AllRails(levels=("high", "low"))], control_points=NO_CONTROL)
    second = walk(plan)[1]
    again = step_from(plan, second, {})
    assert moves(again) == [["A low", "B low"]]
    assert (again.ordinal, again.corner, again.repeat) == (second.ordinal, second.corner, second.repeat)
    assert moves(step_from(plan, second, {"A": "low"})) == [["B low"]]


def test_the_way_back_names_what_the_step_leaves_as_well(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B")]
    plan = make_plan(rails, [SingleRail(levels=("high",))], control_points=NO_CONTROL)
    # a step broken off half way may leave A high and B high already
    assert walk(plan)[1].return_order == (("A", "B"),)


def test_the_way_back_is_never_refused(make_plan: Make, make_rail: MakeRail) -> None:
    rails = [make_rail("A"), make_rail("B")]
    plan = make_plan(rails, relations=[Relation(rail="A", minus="B", min_v=-0.01, max_v=0.01)])
    order = return_order(plan, {"A": "high", "B": "low"})
    assert {rail for burst in order for rail in burst} == {"A", "B"}


def test_conditions_change_with_every_rail_at_rest(make_plan: Make, make_rail: MakeRail) -> None:
    conditions = [Condition(name="ambient", unit="degC", levels={"cold": -10.0, "hot": 60.0})]
    scheme = AllRails(levels=("high",))
    plan = make_plan([make_rail("A")], [scheme], conditions=conditions, control_points=NO_CONTROL)
    assert moves(walk(plan)[1]) == [["A nominal"], ["A high"]]


LEVELS = {"high": 1.05, "low": 0.95, "low7": 0.93}


@st.composite
def relations(draw: st.DrawFn) -> list[Relation]:
    count = draw(st.integers(0, 5))
    found = []
    for _ in range(count):
        rail, minus = draw(st.permutations(["A", "B", "C", "D", "T"]))[:2]
        centre = (0.0 if rail != "T" else -0.5) + (0.5 if minus == "T" else 0.0)
        half = draw(st.sampled_from([0.04, 0.055, 0.075, 0.09, 0.105, 0.125]))
        sides = draw(st.sampled_from(["both", "min", "max"]))
        found.append(
            Relation(
                rail=rail,
                minus=minus,
                min_v=None if sides == "max" else centre - half,
                max_v=None if sides == "min" else centre + half,
            )
        )
    return found


@settings(max_examples=150, deadline=None)
@given(relations=relations(), via=st.booleans(), levels=st.permutations(["high", "low", "low7", "nominal"]))
def test_no_step_and_no_way_back_ever_breaks_a_relation(
    relations: list[Relation], via: bool, levels: list[str]
) -> None:
    from cornerrun.plan.model import Board, CornerChoice, Criteria, HardLimits, PageAddress, Policy, Settle

    settle = Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0)
    limits = HardLimits(min_v=0.0, max_v=2.0)

    def rail(name: str, scale: float = 1.0, tracks: Tracks | None = None) -> Rail:
        targets = {"nominal": scale, **{key: value * scale for key, value in LEVELS.items()}}
        power = None if tracks else PageAddress(device="PM1", page=0)
        return Rail(
            name=name, nominal_v=scale, levels=targets, hard_limits=limits, accuracy_ratio=0.005, settle=settle,
            power=power, tracks=tracks,
        )  # fmt: skip

    from pathlib import Path

    plan = Plan(
        title="t", board=Board(name="b", revision="1"), bench=None, devices={},
        rails=(rail("A"), rail("B"), rail("C"), rail("D"), rail("T", 0.5, Tracks(rail="D", ratio=0.5))),
        groups={}, relations=tuple(relations), conditions=(),
        corners=CornerChoice(
            schemes=(FullFactorial(rails=("A", "B", "D"), levels=tuple(levels)), AllRails(levels=tuple(levels))),
            control_points=ControlPoints(every=7), via_nominal=via,
        ),
        checks=(), criteria=Criteria(), policy=Policy(), sources=(), directory=Path("/nowhere"),
    )  # fmt: skip
    selection = select(plan)
    assert len(selection.corners) + len(selection.not_runnable) >= 64
    follow(plan, steps(plan, selection))
