"""At which levels of conditions the corners of a run are, control points among them."""

from collections.abc import Mapping

from cornerrun.corners.blocks import condition_blocks, nominal_corner
from cornerrun.corners.model import Corner
from cornerrun.plan.model import Plan

__all__ = ["Places", "control_corners", "places_of"]

Places = Mapping[str, Mapping[str, str]]
"""The level of each condition by name of the corner; what is not in it is at none."""


def control_corners(plan: Plan) -> tuple[Corner, ...]:
    """List the corners that control points visit: nominal, at each combination of conditions."""
    return tuple(nominal_corner(plan, conditions) for conditions in condition_blocks(plan))


def places_of(plan: Plan, corners: tuple[Corner, ...]) -> Places:
    """Tell the levels of conditions of every corner that a run of this plan can visit, by the corner's name."""
    return {corner.name: corner.condition_levels() for corner in (*control_corners(plan), *corners)}
