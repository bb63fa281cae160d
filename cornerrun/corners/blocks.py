"""Conditions around corners: every combination of their levels, outermost first."""

from itertools import product

from cornerrun.corners.model import ConditionLevel, Corner, RailLevel
from cornerrun.corners.names import conditions_suffix
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["condition_blocks", "nominal_corner"]


def condition_blocks(plan: Plan) -> tuple[tuple[ConditionLevel, ...], ...]:
    """List the combinations of condition levels; the first condition changes least often. One, empty, without any."""
    axes = [
        [ConditionLevel(condition=condition.name, level=name, value=value) for name, value in condition.levels.items()]
        for condition in plan.conditions
    ]
    return tuple(product(*axes))


def nominal_corner(plan: Plan, conditions: tuple[ConditionLevel, ...] = ()) -> Corner:
    """Build the corner at which every rail is at nominal, as control points visit it."""
    return Corner(
        name=NOMINAL + conditions_suffix(conditions),
        levels=tuple(RailLevel(rail=rail.name, level=NOMINAL) for rail in plan.commanded_rails),
        conditions=conditions,
        scheme="control point",
    )
