"""What a move costs in settling time, as far as a plan tells: the measure by which orders of corners are compared."""

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from cornerrun.corners.model import RailLevel, Step
from cornerrun.plan.model import NOMINAL, Plan, Rail

__all__ = ["MOVE_S", "SettleCost", "way_s"]

MOVE_S = 0.001
"""What the messages of one moved rail take (chosen): it decides between orders that settle equally fast."""


def way_s(rail: Rail, start_v: float, end_v: float) -> float:
    """Reckon how long an output takes into the band of a new target; what the plan does not tell counts as nothing.

    The slower of ramp, |dV| / rate, and closed-loop trim, steps of |dV| times its update; then the time constant, n
    tau with n = ln(|dV| / band).
    """
    move_v = abs(end_v - start_v)
    response, trim = rail.supply.response, rail.supply.trim
    time_s = move_v / response.slew_v_per_s if response.slew_v_per_s else 0.0
    if trim.step_v and trim.update_s:
        time_s = max(time_s, math.ceil(move_v / trim.step_v - 1e-9) * trim.update_s)
    band_v = rail.settle.band_ratio * abs(end_v)
    if response.time_constant_s and move_v > band_v > 0:
        time_s += math.log(move_v / band_v) * response.time_constant_s
    return time_s


class SettleCost:
    """Know what the moves of a plan's rails cost: way and hold, the slowest of a burst, bursts one after another."""

    def __init__(self, plan: Plan) -> None:
        self._rails = {rail.name: rail for rail in plan.rails}
        self._together: dict[str, list[Rail]] = {rail.name: [rail] for rail in plan.commanded_rails}
        for rail in plan.rails:
            if rail.tracks is not None and rail.tracks.rail in self._together:
                self._together[rail.tracks.rail].append(rail)
        self.rail_s = lru_cache(maxsize=None)(self._rail_s)

    def burst_s(self, burst: Iterable[RailLevel], levels: Mapping[str, str]) -> float:
        """Tell how long one burst takes from these levels until all its rails have settled."""
        times_s = [self.rail_s(item.rail, levels.get(item.rail, NOMINAL), item.level) for item in burst]
        return max(times_s, default=0.0) + MOVE_S * len(times_s)

    def moves_s(self, moves: Sequence[Sequence[RailLevel]], levels: Mapping[str, str]) -> float:
        """Tell how long the bursts of a step take, one after another."""
        now, total_s = dict(levels), 0.0
        for burst in moves:
            total_s += self.burst_s(burst, now)
            now.update({item.rail: item.level for item in burst})
        return total_s

    def steps_s(self, steps: Iterable[Step]) -> tuple[float, ...]:
        """Tell the settling time of each step of a run that begins at nominal."""
        levels: Mapping[str, str] = {}
        found = []
        for step in steps:
            found.append(self.moves_s(step.moves, levels))
            levels = step.corner.by_rail()
        return tuple(found)

    def _rail_s(self, rail: str, old: str, new: str) -> float:
        """Tell how long a rail takes, with those that hardware makes follow it; it is held for the longest hold."""
        if old == new:
            return 0.0
        return max(
            way_s(one, one.levels[old], one.levels[new]) + one.settle.stable_for_s for one in self._together[rail]
        )
