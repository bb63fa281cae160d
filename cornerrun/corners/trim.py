"""The corners that characterise trim accuracy, and the order in which they are visited.

Each pass up is followed by the same pass down, so that every setpoint has the same mean place in time: a steady drift
changes all of them alike, and cannot pass for a gain error. A setpoint off nominal is always reached from nominal,
since margin registers are loaded there only; nominal itself is reached from below on the way up and from above on the
way down, which is where hysteresis shows.
"""

from collections.abc import Iterable, Iterator, Sequence

from cornerrun.corners.model import Corner
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.plan.trim_model import TrimSweep

__all__ = ["TRIM", "WARM_UP", "split", "sweeps", "visits"]

TRIM = "trim"
"""The scheme of corners that only characterise trim accuracy: checks do not run there unless they name them."""

WARM_UP = "warm-up"
"""The scheme of a control point that is held until nominal has stopped drifting."""


def sweeps(plan: Plan) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """List the corners of the characterisation: name, level, and the rails that are there."""
    if plan.trim is None:
        return
    groups: tuple[tuple[str, ...], ...] = (
        (plan.trim.rails,) if plan.trim.together else tuple((rail,) for rail in plan.trim.rails)
    )
    for rails in groups:
        for level in plan.trim.levels:
            held = tuple(rail for rail in rails if level in plan.rail(rail).levels)
            if held and level != NOMINAL:
                yield level if plan.trim.together else f"{level}, {rails[0]}", level, held


def split(block: Iterable[Corner]) -> tuple[tuple[Corner, ...], tuple[Corner, ...]]:
    """Part the corners of a block: those of other schemes, those that characterise trim."""
    corners = tuple(block)
    return tuple(c for c in corners if c.scheme != TRIM), tuple(c for c in corners if c.scheme == TRIM)


def visits(corners: Sequence[Corner], sweep: TrimSweep | None) -> Iterator[tuple[Corner | None, int]]:
    """Go through trim corners as they are visited: each with the number of its pass; None stands for nominal."""
    if sweep is None:
        return
    groups: dict[tuple[str, ...], dict[str, Corner]] = {}
    for corner in corners:
        off = {rail: level for rail, level in corner.by_rail().items() if is_trim_level(level)}
        key = () if sweep.together else tuple(off)
        groups.setdefault(key, {})[next(iter(off.values()))] = corner
    for by_level in groups.values():
        rising = [by_level.get(level) for level in sweep.levels if level in by_level or level == NOMINAL]
        for number in range(2 * sweep.repeats):
            for stop in rising if number % 2 == 0 else reversed(rising):
                yield stop, number
