from dataclasses import replace
from itertools import product
from statistics import mean

import pytest

from cornerrun.corners.model import RailLevel
from cornerrun.corners.names import is_at
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.corners.trim import TRIM, WARM_UP
from cornerrun.plan.model import AllRails, At, Condition, ControlPoints, Relation
from cornerrun.plan.trim_levels import trim_names
from cornerrun.plan.trim_model import TrimSweep, WarmUp

WARM = WarmUp(drift_ratio=1e-4, over_s=60.0, timeout_s=600.0)


def _swept(make_plan, make_rail, *, setpoints=5, repeats=2, together=True, warm_up=None, sides=(-1, 1), **options):
    names = trim_names(setpoints)
    middle = (setpoints - 1) // 2
    levels = {
        name: 1.0 + 0.05 * (i - middle) / middle
        for i, name in enumerate(names)
        if i == middle or (i > middle) - (i < middle) in sides
    }
    levels.pop("nominal")
    rails = [make_rail(name, page=i, levels={"high": 1.05, "low": 0.95, **levels}) for i, name in enumerate("AB")]
    base = make_plan(rails, [AllRails(levels=("high", "low"))], **options)
    sweep = TrimSweep(rails=("A", "B"), levels=names, repeats=repeats, together=together, warm_up=warm_up)
    return replace(base, trim=sweep)


def _visited(plan, **options):
    return [step.corner.name for step in steps(plan, select(plan), **options)]


def test_each_repeat_goes_up_and_down_through_nominal(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, repeats=1)
    up = ["trim -2", "trim -1", "nominal", "trim +1", "trim +2"]
    assert _visited(plan) == ["nominal", "all high", "all low", *up, *reversed(up), "nominal"]


def test_one_rail_after_the_other_leaves_the_others_at_nominal(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, setpoints=3, repeats=1, together=False)
    sweep = [step.corner for step in steps(plan, select(plan)) if step.corner.scheme == TRIM]
    assert [corner.by_rail() for corner in sweep[:2]] == [
        {"A": "trim -1", "B": "nominal"},
        {"A": "trim +1", "B": "nominal"},
    ]
    assert {corner.name for corner in sweep} == {"trim -1, A", "trim +1, A", "trim -1, B", "trim +1, B"}


@pytest.mark.parametrize("shape", list(product([3, 5, 7], [1, 2, 3], [True, False], [(-1, 1), (1,), (-1,)])))
def test_a_steady_drift_changes_every_setpoint_alike(make_plan, make_rail, shape):
    setpoints, repeats, together, sides = shape
    plan = _swept(make_plan, make_rail, setpoints=setpoints, repeats=repeats, together=together, sides=sides)
    planned = [step for step in steps(plan, select(plan)) if step.corner.scheme == TRIM]
    for rail in "AB":
        places: dict[str, list[int]] = {}
        for step in planned:
            if step.corner.by_rail()[rail] != "nominal":
                places.setdefault(step.corner.by_rail()[rail], []).append(step.ordinal)
        assert len(places) == (setpoints - 1) // 2 * len(sides)
        assert {len(found) for found in places.values()} == {2 * repeats}
        assert len({mean(found) for found in places.values()}) == 1


def test_every_setpoint_is_reached_from_nominal_since_margin_registers_are_loaded_there(make_plan, make_rail):
    plan = _swept(make_plan, make_rail)
    for step in steps(plan, select(plan)):
        if step.corner.scheme == TRIM and step.ordinal > 3:
            for burst in step.moves[:-1]:
                assert {item.level for item in burst} == {"nominal"}
            level = step.corner.by_rail()["A"]
            assert step.moves[-1] == (RailLevel(rail="A", level=level), RailLevel(rail="B", level=level))
            came_from = steps(plan, select(plan))[step.ordinal - 1]
            assert came_from.is_control or len(step.moves) == 2


def test_the_board_is_warmed_once_before_the_first_setpoint(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, warm_up=WARM)
    planned = steps(plan, select(plan))
    warm = [step for step in planned if step.corner.scheme == WARM_UP]
    assert [step.is_control for step in warm] == [True]
    assert planned[warm[0].ordinal + 1].corner.name == "trim -2"


def test_conditions_hold_a_characterisation_each(make_plan, make_rail):
    ambient = Condition(name="ambient", unit="degC", levels={"cold": 0.0, "hot": 60.0})
    plan = _swept(make_plan, make_rail, setpoints=3, repeats=1, conditions=[ambient], warm_up=WARM)
    names = _visited(plan)
    assert names.count("trim -1 @ ambient cold") == names.count("trim -1 @ ambient hot") == 2
    assert sum(step.corner.scheme == WARM_UP for step in steps(plan, select(plan))) == 2


def test_only_the_characterisation_can_be_run(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, setpoints=3, repeats=1)
    assert _visited(plan, only=["trim*"]) == [
        "nominal",
        "trim -1",
        "nominal",
        "trim +1",
        "trim +1",
        "nominal",
        "trim -1",
        "nominal",
    ]


def test_a_setpoint_that_breaks_a_relation_is_listed_and_not_visited(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, together=False, relations=[Relation(rail="A", minus="B", max_v=0.03)])
    selection = select(plan)
    assert [item.name for item in selection.not_runnable] == ["trim +2, A", "trim -2, B"]
    assert "trim +2, A" not in _visited(plan)


def test_checks_do_not_run_at_setpoints_unless_they_name_them(make_plan, make_rail):
    plan = _swept(make_plan, make_rail)
    corner = next(corner for corner in select(plan).corners if corner.scheme == TRIM)
    assert not is_at(At(), corner)
    assert is_at(At(corners=("trim*",)), corner)


def test_setpoints_do_not_count_towards_control_points(make_plan, make_rail):
    plan = _swept(make_plan, make_rail, control_points=ControlPoints(first=True, every=2, last=True))
    names = _visited(plan)
    assert names[:4] == ["nominal", "all high", "all low", "nominal"]
    assert names.count("nominal") == 1 + 1 + 4 + 1


def test_a_plan_without_a_characterisation_is_laid_out_as_before(make_plan, make_rail):
    plan = replace(_swept(make_plan, make_rail), trim=None)
    assert _visited(plan) == ["nominal", "all high", "all low", "nominal"]


@pytest.mark.parametrize("repeats", [1, 3])
def test_sweeps_of_corners_are_repeated_apart_from_the_characterisation(make_plan, make_rail, repeats):
    plan = _swept(make_plan, make_rail, setpoints=3, repeats=2)
    names = _visited(plan, repeats=repeats)
    assert names.count("all high") == repeats
    assert names.count("trim +1") == 4
