"""Stages are decided from outcomes alone, and keep what every run keeps."""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.corners.stages import Staged, laid_out, staged
from cornerrun.plan.model import AllRails, Condition, ControlPoints, Covering, Plan, Relation, SingleRail
from tests.corners.conftest import plan as make
from tests.corners.conftest import rail
from tests.corners.test_order import follow

BOTH = ("high", "low")
SCHEMES = (AllRails(levels=BOTH), SingleRail(levels=BOTH), Covering(strength=2, levels=BOTH))


def board(count: int = 8, *, rules: dict[str, str] | None = None, **given: object) -> Plan:
    found = make([rail(f"R{number}", page=number) for number in range(count)], SCHEMES, **given)  # type: ignore[arg-type]
    return replace(found, corners=replace(found.corners, staged=rules or {}))


def run(plan: Plan, fails: Callable[[str], bool], *, until: int | None = None) -> tuple[Staged, dict[int, bool]]:
    """Perform a staged run as a runner does: ask again at the end of each stage."""
    outcomes: dict[int, bool] = {}
    found = staged(plan, outcomes)
    at = 0
    while at < len(found.steps) and (until is None or at < until):
        step = found.steps[at]
        outcomes[step.ordinal] = not step.is_control and fails(step.corner.name)
        if step.ordinal in found.ends:
            again = staged(plan, outcomes)
            assert again.steps[: at + 1] == found.steps[: at + 1], "what was done stays as it was"
            found = again
        at += 1
    return found, outcomes


def schemes_of(found: Staged) -> list[str]:
    kinds = [step.corner.scheme for step in found.steps if not step.is_control]
    return [kind for place, kind in enumerate(kinds) if place == 0 or kinds[place - 1] != kind]


def test_stages_follow_each_other_with_one_control_point_between() -> None:
    found, _ = run(board(), lambda _: False)
    assert schemes_of(found) == ["all_rails", "single_rail", "covering"]
    controls = [step.is_control for step in found.steps]
    assert controls[0]
    assert controls[-1]
    assert sum(controls) == 4
    assert not any(a and b for a, b in pairwise(controls))
    assert found.steps == laid_out(board())[1], "if nothing fails, it is what was planned"


def test_a_level_that_fails_alone_is_left_out_with_the_reason_and_the_rest_is_covered() -> None:
    found, _ = run(board(), lambda name: name in {"R2 high", "R5 low"})
    dead = {("R2", "high"), ("R5", "low")}
    rows = [step.corner.by_rail() for step in found.steps if step.corner.scheme == "covering"]
    assert rows
    assert not any(dead & set(row.items()) for row in rows)
    visited = [step.corner.by_rail() for step in found.steps if not dead & set(step.corner.by_rail().items())]
    for one, other in combinations([f"R{number}" for number in range(8)], 2):
        for a, b in product(BOTH, repeat=2):
            if not dead & {(one, a), (other, b)}:
                assert any(row[one] == a and row[other] == b for row in visited), (one, a, other, b)
    reasons = {item.name: item.reason for item in found.selection.not_runnable}
    assert reasons["R2 high"] == "R2 high failed alone, at corner 'R2 high'"
    assert reasons["R5 low"] == "R5 low failed alone, at corner 'R5 low'"


def test_fewer_survivors_would_leave_holes_if_rows_were_only_struck_out() -> None:
    """A covering stage built before the failure loses half of its rows to one level: it has to be built anew."""
    before = laid_out(board())[1]
    left = [
        step.corner.by_rail()
        for step in before
        if step.corner.scheme in {"covering", "single_rail", "all_rails"} and step.corner.by_rail()["R2"] != "high"
    ]
    pairs = product(combinations([f"R{number}" for number in range(8)], 2), product(BOTH, repeat=2))
    holes = [
        pair for pair in pairs
        if ("R2", "high") not in zip(*pair, strict=True)
        and not any((row[pair[0][0]], row[pair[0][1]]) == pair[1] for row in left)
    ]  # fmt: skip
    assert holes


@pytest.mark.parametrize(
    ("rule", "failing", "ends"),
    [
        ("any failure", {"all high"}, True),
        ("any failure", set(), False),
        ("every failure", {"all high"}, False),
        ("every failure", {"all high", "all low"}, True),
        ("never", {"all high", "all low"}, False),
    ],
)
def test_a_rule_ends_the_stages(rule: str, failing: set[str], ends: bool) -> None:
    found, _ = run(board(rules={"all_rails": rule}), lambda name: name in failing)
    assert schemes_of(found) == (["all_rails"] if ends else ["all_rails", "single_rail", "covering"])
    told = [item for item in found.selection.not_runnable if item.reason.startswith("the stages end after all_rails")]
    assert bool(told) == ends
    if ends:
        assert len(told) == 16 + len(laid_out(board())[0].corners) - 18
        assert f"{len(failing)} of 2 corners failed" in told[0].reason


def test_each_combination_of_conditions_has_stages_of_its_own() -> None:
    plan = board(4, conditions=[Condition(name="ambient", unit="degC", levels={"cold": -10.0, "hot": 60.0})])
    found, _ = run(plan, lambda name: name == "R1 high @ ambient cold")
    ambient = [step.corner.conditions[0].level for step in found.steps]
    assert ambient == sorted(ambient), "the chamber moves once"
    rows = [step.corner for step in found.steps if step.corner.scheme == "covering"]
    assert not any(row.by_rail()["R1"] == "high" for row in rows if row.conditions[0].level == "cold")
    assert any(row.by_rail()["R1"] == "high" for row in rows if row.conditions[0].level == "hot")


@settings(max_examples=25, deadline=None)
@given(
    count=st.integers(3, 6),
    failing=st.sets(st.tuples(st.integers(0, 5), st.sampled_from(BOTH)), max_size=4),
    every=st.sampled_from([None, 2]),
    last=st.booleans(),
)
def test_every_step_is_admissible_and_a_run_taken_up_again_goes_on_the_same(
    *, count: int, failing: set[tuple[int, str]], every: int | None, last: bool
) -> None:
    relation = Relation(rail="R0", minus="R1", min_v=-0.07, max_v=0.07)
    plan = board(count, relations=[relation], control_points=ControlPoints(every=every, last=last))
    names = {f"R{number} {level}" for number, level in failing}
    whole, outcomes = run(plan, names.__contains__)
    follow(plan, whole.steps)
    assert [step.ordinal for step in whole.steps] == list(range(len(whole.steps)))
    assert len(whole.steps) <= whole.reserved
    for cut in range(0, len(whole.steps), 3):
        earlier = {ordinal: outcome for ordinal, outcome in outcomes.items() if ordinal < cut}
        assert staged(plan, earlier).steps[:cut] == whole.steps[:cut]
    assert staged(plan, outcomes).steps == whole.steps


def test_whoever_names_corners_has_no_stages() -> None:
    names = [step.corner.name for step in laid_out(board(), only=["R1 *"])[1]]
    assert names == ["nominal", "R1 high", "R1 low", "nominal"]
