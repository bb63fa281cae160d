"""The levels that only a characterisation of trim accuracy visits."""

from collections.abc import Mapping

from cornerrun.plan.model import NOMINAL
from cornerrun.plan.trim_file import TrimSweepFile

__all__ = ["is_trim_level", "trim_levels", "trim_names"]

_PREFIX = "trim "


def is_trim_level(level: str) -> bool:
    """Whether a level's name is one of those made here: "trim -2", "trim +1"."""
    sign, digits = level[len(_PREFIX) : len(_PREFIX) + 1], level[len(_PREFIX) + 1 :]
    return level.startswith(_PREFIX) and sign in ("-", "+") and digits.isdecimal()


def trim_names(setpoints: int) -> tuple[str, ...]:
    """Name the setpoints of a sweep, rising; the middle one is nominal."""
    side = (setpoints - 1) // 2
    below = [f"{_PREFIX}-{i}" for i in range(side, 0, -1)]
    return (*below, NOMINAL, *(f"{_PREFIX}+{i}" for i in range(1, side + 1)))


def trim_levels(levels: Mapping[str, float], sweep: TrimSweepFile) -> dict[str, float]:
    """Tell the targets of the setpoints besides nominal, evenly spaced on each side of it.

    Without a span they reach as far as the rail's own levels do; a side where those do not go has no setpoints.
    """
    nominal_v = levels[NOMINAL]
    low_v, high_v = min(levels.values()), max(levels.values())
    if sweep.span is not None:
        low_v = nominal_v * (1 - (sweep.span.low or 0.0))
        high_v = nominal_v * (1 + (sweep.span.high or 0.0))
    side = (sweep.setpoints - 1) // 2
    found = {}
    for sign, edge_v in (("-", low_v), ("+", high_v)):
        if edge_v != nominal_v:
            for i in range(1, side + 1):
                # Twelve digits, as for every level: far below any converter's step.
                found[f"{_PREFIX}{sign}{i}"] = float(f"{nominal_v + (edge_v - nominal_v) * i / side:.12g}")
    return found
