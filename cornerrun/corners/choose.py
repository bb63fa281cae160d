"""Which corners of a selection a person means: for a run of a few, for holding one."""

from collections.abc import Iterable

from cornerrun.corners.blocks import condition_blocks, nominal_corner
from cornerrun.corners.model import Corner, Selection
from cornerrun.corners.names import fits, names_of
from cornerrun.errors import UsageError
from cornerrun.plan.model import Plan
from cornerrun.plan.nearest import suggestion

__all__ = ["chosen"]


def chosen(plan: Plan, selection: Selection, texts: Iterable[str]) -> tuple[Corner, ...]:
    """Find the corners that a person names, in the order of the selection; nominal is always known.

    UsageError if a text fits no corner, or fits one that is not runnable: says why, or what is near.
    """
    wanted = tuple(texts)
    corners = _with_nominal(plan, selection)
    for text in wanted:
        if any(fits(text, corner) for corner in corners):
            continue
        for refused in selection.not_runnable:
            if refused.name == text:
                raise UsageError(f"corner {text!r} is not runnable: {refused.reason}")
        raise UsageError(f"no corner is called {text!r}; {suggestion(text, _all_names(corners))}")
    asked = set(selection.corners)
    return tuple(
        corner
        for corner in corners
        if any(fits(text, corner) if corner in asked else text in names_of(corner) for text in wanted)
    )


def _with_nominal(plan: Plan, selection: Selection) -> tuple[Corner, ...]:
    corners: list[Corner] = []
    for conditions in condition_blocks(plan):
        block = [corner for corner in selection.corners if corner.conditions == conditions]
        if not any(corner.is_nominal for corner in block):
            block.insert(0, nominal_corner(plan, conditions))
        corners += block
    return tuple(corners)


def _all_names(corners: Iterable[Corner]) -> Iterable[str]:
    return dict.fromkeys(name for corner in corners for name in names_of(corner))
