"""What each way between two corners of a sweep costs in settling time, for all pairs at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cornerrun.corners.model import Corner, RailLevel
from cornerrun.corners.settle_cost import MOVE_S, SettleCost
from cornerrun.corners.tuples import Ints
from cornerrun.corners.walk import Legs, Walk
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["WayCosts", "Ways"]

Floats = NDArray[np.float64]

_WALKED_UP_TO = 30_000  # chosen: a way that relations have a say in takes some 0.1 ms to lay out


@dataclass(frozen=True, kw_only=True)
class Ways:
    """Seconds of settling: from corner to corner (from, to), from nominal to each, and back."""

    between: Floats
    from_nominal: Floats
    to_nominal: Floats


class WayCosts:
    """Know what ways cost.

    Only rails that a relation, a feeding rail or a second level on one side has a say in are laid out way by way; all
    others move in one burst. Where there are too many different ways, all rails are taken to move in one burst. What a
    margin register was last loaded with is not known here, so a way that may need a reload is taken to need it.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._cost = SettleCost(plan)
        self._rails = [rail.name for rail in plan.commanded_rails]
        self._walk = Walk(plan)
        self._involved = _involved(plan, self._walk)

    def between(self, corners: Sequence[Corner]) -> Ways:
        """Tell the ways between corners, and from and to nominal."""
        levels = [corner.by_rail() for corner in corners]
        levels.append(dict.fromkeys(self._rails, NOMINAL))
        if self._plan.corners.via_nominal:
            return self._by_nominal(levels)
        costs = self._direct(levels)
        return Ways(between=costs[:-1, :-1], from_nominal=costs[-1, :-1].copy(), to_nominal=costs[:-1, -1].copy())

    def _by_nominal(self, levels: Sequence[Mapping[str, str]]) -> Ways:
        costs = self._direct([levels[-1], *levels[:-1]], first_only=True)
        out, back = costs[0, 1:].copy(), costs[1:, 0].copy()
        return Ways(between=back[:, np.newaxis] + out[np.newaxis, :], from_nominal=out, to_nominal=back)

    def _direct(self, levels: Sequence[Mapping[str, str]], *, first_only: bool = False) -> Floats:
        involved = [rail for rail in self._rails if rail in self._involved]
        states = [tuple(one.get(rail, NOMINAL) for rail in involved) for one in levels]
        distinct = {state: number for number, state in enumerate(dict.fromkeys(states))}
        if not first_only and len(distinct) ** 2 > _WALKED_UP_TO:
            involved, states = [], [() for _ in levels]
            distinct = {(): 0}
        slowest, moved = self._in_one_burst([rail for rail in self._rails if rail not in involved], levels)
        place = np.array([distinct[state] for state in states], dtype=np.int64)
        around, beside = self._laid_out(involved, list(distinct), first_only=first_only)
        pairs = np.ix_(place, place)
        found: Floats = around[pairs] + np.maximum(beside[pairs], slowest) + MOVE_S * moved
        return found

    def _in_one_burst(self, rails: Sequence[str], levels: Sequence[Mapping[str, str]]) -> tuple[Floats, Ints]:
        """Tell the slowest of rails that move together, and how many do, for all pairs."""
        slowest = np.zeros((len(levels), len(levels)))
        moved = np.zeros((len(levels), len(levels)), dtype=np.int64)
        for rail in rails:
            names = list(dict.fromkeys(one.get(rail, NOMINAL) for one in levels))
            times = np.array([[self._cost.rail_s(rail, old, new) for new in names] for old in names])
            at = np.array([names.index(one.get(rail, NOMINAL)) for one in levels], dtype=np.int64)
            slowest = np.maximum(slowest, times[np.ix_(at, at)])
            moved += at[:, np.newaxis] != at[np.newaxis, :]
        return slowest, moved

    def _laid_out(
        self, rails: Sequence[str], states: Sequence[tuple[str, ...]], *, first_only: bool
    ) -> tuple[Floats, Floats]:
        """Tell, for pairs of states of some rails: the time of all bursts but one, and of that one, which others join.

        With ``first_only``, only ways from and to the first state are looked at.
        """
        around, beside = np.zeros((len(states),) * 2), np.zeros((len(states),) * 2)
        for start, old in enumerate(states):
            for end, new in enumerate(states):
                if start == end or (first_only and 0 not in (start, end)):
                    continue
                before = {rail: level for rail, level in zip(rails, old, strict=True) if level != NOMINAL}
                after = {rail: level for rail, level in zip(rails, new, strict=True) if level != NOMINAL}
                around[start, end], beside[start, end] = self._parts_s(self._walk.legs(before, after), before)
        return around, beside

    def _parts_s(self, legs: Legs, levels: Mapping[str, str]) -> tuple[float, float]:
        now, times_s = dict(levels), []
        for burst in (*legs.to_rest, *legs.onward):
            times_s.append(self._burst_s(burst, now))
            now.update({item.rail: item.level for item in burst})
        moves_s = MOVE_S * sum(len(burst) for burst in (*legs.to_rest, *legs.onward))
        joined = len(legs.to_rest)
        beside_s = times_s[joined] if joined < len(times_s) else 0.0
        return sum(times_s) - beside_s + moves_s, beside_s

    def _burst_s(self, burst: Sequence[RailLevel], levels: Mapping[str, str]) -> float:
        return max(self._cost.rail_s(item.rail, levels.get(item.rail, NOMINAL), item.level) for item in burst)


def _involved(plan: Plan, walk: Walk) -> frozenset[str]:
    """Name the rails that may need more than one burst."""
    found = set(walk.related)
    for rail in plan.commanded_rails:
        above = sum(target_v > rail.levels[NOMINAL] for target_v in rail.levels.values())
        below = sum(target_v < rail.levels[NOMINAL] for target_v in rail.levels.values())
        if max(above, below) > 1:
            found.add(rail.name)
    return frozenset(found)
