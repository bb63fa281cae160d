"""The cheapest way through all places once: exact for few, by local search for many.

A place is a corner, home is nominal. Where a control point stands between two places, the way goes by home.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cornerrun.corners.tuples import Ints

__all__ = ["EXACT_UP_TO", "Ground", "cheapest", "length"]

Floats = NDArray[np.float64]

EXACT_UP_TO = 12
"""Up to so many places the way is proven cheapest (chosen: a tenth of a second)."""

_LOOKS = 10_000_000  # chosen: a few tenths of a second of search
_KICKS = 100  # chosen: later ones hardly ever find anything
_SAME = 1e-12  # sums of the same seconds in another order differ by less
_REACH = 150  # chosen: how far a piece is turned over or moved
_LONGEST = 3  # places that are moved together: Or's exchange (1976)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What ways cost: between places (from, to), from home to each (``home_out``) and from each home (``home_in``).

    ``start`` and ``end`` are the ways to the first place and from the last, where they do not begin and end at home.
    ``by_home[p]`` says that the way from the p-th place visited to the next goes by home.
    """

    costs: Floats
    home_out: Floats
    home_in: Floats
    by_home: Sequence[bool]
    start: Floats | None = None
    end: Floats | None = None


def length(ground: Ground, order: Sequence[int]) -> float:
    """Tell what an order of all places costs, there and back."""
    return float(_Ways(ground).lengths(np.array([order], dtype=np.int64))[0])


def cheapest(ground: Ground) -> tuple[int, ...]:
    """Order all places so that the way through them, there and back, costs least.

    Proven for `EXACT_UP_TO` places (Held and Karp 1962: the best way through each set of places, by its first one); of
    equally cheap orders the one nearest to the order given. For more: from the order given and from nearest neighbours,
    pieces are turned over (2-opt) and moved (Or-opt) while that helps, then again after kicks. Never worse than the
    order given; the same ground gives the same order.
    """
    count = len(ground.costs)
    if count < 2:
        return tuple(range(count))
    start = ground.home_out if ground.start is None else ground.start
    end = ground.home_in if ground.end is None else ground.end
    ends = tuple(one.tobytes() for one in (ground.home_out, ground.home_in, start, end))
    return _cheapest(ground.costs.tobytes(), ends, tuple(ground.by_home), count)


@lru_cache(maxsize=64)  # a plan is laid out several times on its way through one command
def _cheapest(costs: bytes, ends: tuple[bytes, ...], by_home: tuple[bool, ...], count: int) -> tuple[int, ...]:
    home_out, home_in, start, end = (np.frombuffer(one) for one in ends)
    matrix = np.frombuffer(costs).reshape(count, count)
    ways = _Ways(Ground(costs=matrix, home_out=home_out, home_in=home_in, by_home=by_home, start=start, end=end))
    order = _exact(ways) if count <= EXACT_UP_TO else _Search(ways).best()
    return tuple(order.tolist())


class _Ways:
    def __init__(self, ground: Ground) -> None:
        self.count = len(ground.costs)
        self.start = ground.home_out if ground.start is None else ground.start
        self.end = ground.home_in if ground.end is None else ground.end
        by_home = np.array(ground.by_home[: self.count - 1], dtype=np.bool_)
        both = np.stack([ground.costs, ground.home_in[:, np.newaxis] + ground.home_out[np.newaxis, :]])
        self.table = np.ascontiguousarray(both).ravel()
        self.shift = by_home.astype(np.int64) * self.count**2

    def between(self, place: int) -> Floats:
        """Tell the costs of the way from the p-th place to the next, for all pairs."""
        start = int(self.shift[place])
        return self.table[start : start + self.count**2].reshape(self.count, self.count)

    def lengths(self, orders: Ints) -> Floats:
        found: Floats = self.start[orders[:, 0]] + self.end[orders[:, -1]]
        if self.count > 1:
            found = found + self.table[orders[:, :-1] * self.count + orders[:, 1:] + self.shift].sum(axis=1)
        return found


def _exact(ways: _Ways) -> Ints:
    """Find the cost to go from each place with each set of others left, then walk along it."""
    count = ways.count
    to_go = np.full((1 << count, count), np.inf)
    to_go[0] = ways.end
    for left in range(1, 1 << count):
        nexts = [place for place in range(count) if left >> place & 1]
        rest = [left & ~(1 << place) for place in nexts]
        onward = to_go[rest, nexts]
        if len(nexts) < count:
            to_go[left] = (ways.between(count - len(nexts) - 1)[:, nexts] + onward).min(axis=1)
    left, order = (1 << count) - 1, list[int]()
    while left:
        step = ways.between(len(order) - 1)[order[-1]] if order else ways.start
        reach = [
            step[place] + to_go[left & ~(1 << place), place] if left >> place & 1 else np.inf for place in range(count)
        ]
        order.append(next(place for place, cost in enumerate(reach) if cost <= min(reach) + _SAME))
        left &= ~(1 << order[-1])
    return np.array(order, dtype=np.int64)


class _Search:
    def __init__(self, ways: _Ways) -> None:
        self._ways = ways
        self._looks = _LOOKS
        self._rng = np.random.default_rng(0)

    def best(self) -> Ints:
        found = self._improved(min(self._starts(), key=self._length))
        for _ in range(_KICKS):
            if self._looks <= 0:
                break
            trial = self._improved(self._kicked(found))
            if self._length(trial) < self._length(found) - _SAME:
                found = trial
        return found

    def _length(self, order: Ints) -> float:
        return float(self._ways.lengths(order[np.newaxis])[0])

    def _starts(self) -> Iterator[Ints]:
        given = np.arange(self._ways.count, dtype=np.int64)
        yield given
        left = np.ones(self._ways.count, dtype=np.bool_)
        order: list[int] = []
        while len(order) < self._ways.count:
            costs = self._ways.between(len(order) - 1)[order[-1]] if order else self._ways.start
            order.append(int(np.where(left, costs, np.inf).argmin()))
            left[order[-1]] = False
        yield np.array(order, dtype=np.int64)

    def _kicked(self, order: Ints) -> Ints:
        """Swap two neighbouring pieces, which no turning over undoes at once."""
        first, second, third = np.sort(self._rng.choice(np.arange(1, len(order)), 3, replace=False)).tolist()
        return np.concatenate([order[:first], order[second:third], order[first:second], order[third:]])

    def _improved(self, order: Ints) -> Ints:
        now = self._length(order)
        is_improved = True
        while is_improved:
            is_improved = False
            for first in range(len(order)):
                if self._looks <= 0:
                    return order
                trials = order[_neighbours(len(order), first)]
                self._looks -= trials.size
                lengths = self._ways.lengths(trials)
                least = int(lengths.argmin())
                if lengths[least] < now - _SAME:
                    order, now, is_improved = trials[least], float(lengths[least]), True
        return order


@lru_cache(maxsize=128)
def _neighbours(count: int, first: int) -> Ints:
    """List the orders of positions that one exchange at a position gives."""
    place = np.arange(count, dtype=np.int64)
    last = np.arange(first + 1, min(first + _REACH, count), dtype=np.int64)[:, np.newaxis]
    found = [np.where((place >= first) & (place <= last), first + last - place, place)]
    for size in range(1, min(_LONGEST, count - first) + 1):
        lowest, highest = max(first - _REACH, 0), min(first + _REACH, count - size)
        start = np.arange(lowest, highest + 1, dtype=np.int64)[:, np.newaxis]
        start = start[start[:, 0] != first]
        rest = np.where(place < start, place, place - size)
        rest = np.where(rest < first, rest, rest + size)
        found.append(np.where((place >= start) & (place < start + size), first + place - start, rest))
    return np.concatenate(found)
