"""A map of corners for a terminal: rails down, visits across, one sign each."""

import string
from collections.abc import Iterator, Mapping, Sequence

from cornerrun.corners.model import Step
from cornerrun.plan.model import HIGH, LOW, NOMINAL, Plan

__all__ = ["corner_map"]

_WIDTH = 100
_TEN = 10
_SIGNS: Mapping[str, str] = {NOMINAL: ".", HIGH: "+", LOW: "-"}


def corner_map(plan: Plan, planned: Sequence[Step]) -> Iterator[str]:
    """Write visits in the order of the run, in blocks that fit a terminal of 100 columns, and what the signs mean."""
    signs = _signs(planned)
    rails = [rail.name for rail in plan.commanded_rails]
    margin = max((len(name) for name in (*rails, "control point")), default=0)
    # Ten visits and a gap take eleven columns.
    across = max((_WIDTH - margin - 2) // (_TEN + 1) * _TEN, _TEN)
    for first in range(0, len(planned), across):
        block = planned[first : first + across]
        starts = " ".join(f"{step.ordinal:<{_TEN}}" for step in block[::_TEN])
        yield f"{'visit':<{margin}}  {starts}".rstrip()
        yield f"{'':<{margin}}  {_grouped([str(step.ordinal % _TEN) for step in block])}"
        yield f"{'control point':<{margin}}  {_grouped(['c' if step.is_control else ' ' for step in block])}".rstrip()
        levels = [step.corner.by_rail() for step in block]
        for rail in rails:
            yield f"{rail:<{margin}}  {_grouped([signs[level[rail]] for level in levels])}"
        yield ""
    yield "Signs: " + ", ".join(f"{sign} {level}" for level, sign in signs.items())
    yield from _blocks_of_conditions(planned)


def _signs(planned: Sequence[Step]) -> Mapping[str, str]:
    """Give each level a sign: the usual ones theirs, others a letter in the order in which they are met."""
    met = dict.fromkeys(item.level for step in planned for item in step.corner.levels)
    letters = iter(string.ascii_letters)
    return {level: _SIGNS.get(level) or next(letters, "?") for level in met}


def _grouped(cells: Sequence[str]) -> str:
    return " ".join("".join(cells[start : start + _TEN]) for start in range(0, len(cells), _TEN))


def _blocks_of_conditions(planned: Sequence[Step]) -> Iterator[str]:
    """Tell from which visit on which conditions hold."""
    last: tuple[str, ...] | None = None
    for step in planned:
        now = tuple(f"{item.condition} {item.level}" for item in step.corner.conditions)
        if now and now != last:
            yield f"From visit {step.ordinal}: {', '.join(now)}"
        last = now
