"""What a move costs, against sums by hand."""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.corners.settle_cost import MOVE_S, SettleCost, way_s
from cornerrun.plan.model import AllRails, Plan, Rail, Tracks
from cornerrun.plan.supply import Response, Supply, Trim


def with_response(rail: Rail, **given: float) -> Rail:
    return replace(rail, supply=replace(rail.supply, response=Response(**given)))


def test_a_ramp_takes_the_move_over_its_rate(make_rail: Callable[..., Rail]) -> None:
    assert way_s(with_response(make_rail("A"), slew_v_per_s=10.0), 1.0, 1.05) == pytest.approx(0.005)


def test_a_time_constant_takes_the_logarithm_of_move_over_band(make_rail: Callable[..., Rail]) -> None:
    # From 1 V to 1.05 V, band 0.5 % of 1.05 V: ln(0.05 / 0.00525) = 2.254 time constants.
    taken_s = way_s(with_response(make_rail("A"), time_constant_s=0.01), 1.0, 1.05)
    assert taken_s == pytest.approx(0.01 * math.log(0.05 / 0.00525))
    assert taken_s == pytest.approx(0.02254, rel=1e-3)


def test_a_closed_loop_takes_an_update_a_step(make_rail: Callable[..., Rail]) -> None:
    slow = replace(make_rail("A"), supply=Supply(trim=Trim(step_v=0.01, update_s=0.1)))
    assert way_s(slow, 1.0, 1.05) == pytest.approx(0.5)
    assert way_s(slow, 1.0, 1.051) == pytest.approx(0.6)


def test_what_a_plan_does_not_tell_counts_as_nothing(make_rail: Callable[..., Rail]) -> None:
    assert way_s(make_rail("A"), 1.0, 1.05) == 0.0


def test_the_slowest_of_a_burst_counts_and_a_rail_that_follows_counts_too(
    make_rail: Callable[..., Rail], make_plan: Callable[..., Plan]
) -> None:
    fast = with_response(make_rail("A"), slew_v_per_s=10.0)
    slow = with_response(make_rail("B", page=1), slew_v_per_s=1.0)
    follower = with_response(make_rail("C", tracks=Tracks(rail="A", ratio=1.0)), slew_v_per_s=0.5)
    for rails, ramp_s in (((fast, slow), 0.05), ((fast, slow, follower), 0.1)):
        plan = make_plan(rails, [AllRails(levels=("high",))])
        first, corner, last = SettleCost(plan).steps_s(steps(plan, select(plan)))
        assert first == 0.0
        assert corner == pytest.approx(ramp_s + 0.06 + 2 * MOVE_S)
        assert last == pytest.approx(corner)
