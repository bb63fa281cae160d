"""The moves of a run, one burst after another: where every rail stands before and after each."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from cornerrun.corners.model import RailLevel, Step
from cornerrun.plan.model import NOMINAL
from cornerrun.preflight.facts import Facts

__all__ = ["Burst", "bursts"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Burst:
    """Rails that move together. ``before`` holds the levels of the rails that were off nominal; the way home too.

    ``is_way_home`` marks a burst of a return that a run makes only if it is broken off at this step, or ends there.
    """

    step: Step
    moves: tuple[RailLevel, ...]
    before: Mapping[str, str]
    is_way_home: bool = False


def bursts(facts: Facts, *, ways_home: bool = False) -> Iterator[Burst]:
    """Go through every burst of every step; with ``ways_home`` also through the return from each step's end."""
    levels: dict[str, str] = {}
    for step in facts.steps:
        for moves in step.moves:
            yield Burst(step=step, moves=moves, before=dict(levels))
            levels |= {item.rail: item.level for item in moves}
            levels = {rail: level for rail, level in levels.items() if level != NOMINAL}
        if not ways_home:
            continue
        home = dict(levels)
        for rails in step.return_order:
            back = tuple(RailLevel(rail=rail, level=NOMINAL) for rail in rails if rail in home)
            if back:
                yield Burst(step=step, moves=back, before=dict(home), is_way_home=True)
                home = {rail: level for rail, level in home.items() if rail not in rails}
