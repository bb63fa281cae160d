from dataclasses import replace
from pathlib import Path

from invented_run import a_plan, a_rail

from cornerrun.report.plan_differences import PlanDifference, plan_differences


def test_the_same_plan_differs_in_nothing_wherever_its_files_lie():
    assert plan_differences(a_plan(), a_plan(directory=Path("elsewhere"), sources=())) == ()


def test_a_changed_number_is_told_by_its_place_with_both_values():
    plan = a_plan()
    core = replace(plan.rails[0], settle=replace(plan.rails[0].settle, timeout_s=3.5))
    assert plan_differences(plan, replace(plan, rails=(core, *plan.rails[1:]))) == (
        PlanDifference(place="rails[CORE].settle.timeout_s", released="2.0", run="3.5"),
    )


def test_a_rail_more_in_front_makes_differences_of_that_rail_alone():
    plan = a_plan()
    found = plan_differences(plan, replace(plan, rails=(a_rail("NEW", 1.2, page=2), *plan.rails)))
    assert found
    assert all(item.place.startswith("rails[NEW].") and item.released == "-" for item in found)
