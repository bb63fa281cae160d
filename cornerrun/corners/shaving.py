"""Take rows out of a covering array: drop one, then mend what it alone met by changing single levels elsewhere.

A tabu search after Nurmela, Discrete Applied Mathematics 138 (2004): choose a tuple that is missing at random, look at
every row that would meet it with one level changed, make the change that costs least, and leave that cell alone for a
while. It stops after a number of looks, never by the clock, so that the same seed gives the same array.
"""

import numpy as np

from cornerrun.corners.nogoods import FREE, Nogoods
from cornerrun.corners.tuples import Ints, TupleSpace

__all__ = ["shaved"]

_MOVE = 10_000  # measured: what a move costs besides its looks, in looks
_COMPLETION = 50_000  # measured: what the search for an allowed row costs, in looks
_TENURE = (2, 10)  # chosen: how many moves a changed cell rests; Nurmela used 1 to 10


def shaved(
    space: TupleSpace,
    nogoods: Nogoods,
    needs: Ints,
    rows: Ints,
    *,
    kept: int,
    fewest: int,
    looks: int,
    rng: np.random.Generator,
) -> Ints:
    """Return an array of as many rows or fewer that meets each tuple as often as ``needs`` says.

    The first ``kept`` rows stay as they are. Stops at ``fewest`` rows, or after about ``looks`` numbers of tuples were
    looked at.
    """
    rows = _without_idle(space, needs, rows, kept)
    while len(rows) > max(fewest, kept) and looks > 0:
        attempt = _Attempt(space, nogoods, needs, _without_least(space, needs, rows, kept, rng), kept=kept, rng=rng)
        share = max(looks // 2, min(looks, 100 * _MOVE))
        looks -= share
        is_mended = attempt.mend(share)
        looks += max(attempt.looks_left, 0)
        if is_mended:
            rows = attempt.rows
    return rows


def _without_idle(space: TupleSpace, needs: Ints, rows: Ints, kept: int) -> Ints:
    """Drop rows that nothing depends on, the last first."""
    counts = space.counts(rows)
    for place in range(len(rows) - 1, kept - 1, -1):
        numbers = space.numbers(rows[place : place + 1])[0]
        if np.all(counts[numbers] > needs[numbers]):
            counts[numbers] -= 1
            rows = np.delete(rows, place, axis=0)
    return rows


def _without_least(space: TupleSpace, needs: Ints, rows: Ints, kept: int, rng: np.random.Generator) -> Ints:
    """Drop the row on which least depends; one of the few least, by chance."""
    counts = space.counts(rows)
    numbers = space.numbers(rows)[kept:]
    alone = (counts[numbers] <= needs[numbers]).sum(axis=1)
    order = np.argsort(alone, kind="stable")[:3]
    return np.delete(rows, kept + int(rng.choice(order)), axis=0)


class _Attempt:
    """One search for an array of this many rows."""

    def __init__(
        self, space: TupleSpace, nogoods: Nogoods, needs: Ints, rows: Ints, *, kept: int, rng: np.random.Generator
    ) -> None:
        self.rows = rows.copy()
        self._space, self._nogoods, self._needs, self._kept, self._rng = space, nogoods, needs, kept, rng
        self._numbers = space.numbers(self.rows)
        self._counts = np.bincount(self._numbers.ravel(), minlength=space.size)
        self._missing = _Bag(np.flatnonzero(self._counts < needs).tolist())
        self._deficit = int(np.maximum(needs - self._counts, 0).sum())
        self._least = self._deficit
        self._rests = np.zeros(self.rows.shape, dtype=np.int64)
        self.looks_left = 0

    def mend(self, looks: int) -> bool:
        """Search until nothing is missing, or for this many looks."""
        self.looks_left = looks if len(self.rows) > self._kept else 0
        move = 0
        while self._missing and self.looks_left > 0:
            move += 1
            self.looks_left -= _MOVE
            pairs = self._space.spell(self._missing.pick(self._rng))
            chosen = self._choose(pairs, move)
            changes = [chosen] if chosen is not None else self._force(pairs)
            for row, factor, level in changes:
                self._change(row, factor, level)
                self._rests[row, factor] = move + int(self._rng.integers(*_TENURE))
            self._least = min(self._least, self._deficit)
        return not self._missing

    def _choose(self, pairs: tuple[tuple[int, int], ...], move: int) -> tuple[int, int, int] | None:
        """Find the change of one level that meets the tuple at the least cost."""
        factors = [factor for factor, _ in pairs]
        differs = self.rows[self._kept :, factors] != [level for _, level in pairs]
        near = np.flatnonzero(differs.sum(axis=1) == 1)
        best: list[tuple[int, int, int]] = []
        least = np.iinfo(np.int64).max
        for place, (factor, level) in enumerate(pairs):
            rows = near[differs[near, place]] + self._kept
            if not len(rows):
                continue
            costs = self._costs(rows, factor, level)
            free = (self._rests[rows, factor] < move) | (self._deficit + costs < self._least)
            for row, cost in zip(rows[free].tolist(), costs[free].tolist(), strict=True):
                if cost > least or (self._nogoods and not self._nogoods.allows_change(self.rows[row], factor, level)):
                    continue
                if cost < least:
                    least, best = cost, []
                best.append((row, factor, level))
        return best[int(self._rng.integers(len(best)))] if best else None

    def _force(self, pairs: tuple[tuple[int, int], ...]) -> list[tuple[int, int, int]]:
        """Put the tuple into a row by chance, where that row stays allowed."""
        row = int(self._rng.integers(self._kept, len(self.rows)))
        wanted = self.rows[row].copy()
        for factor, level in pairs:
            wanted[factor] = level
        if self._nogoods and not self._nogoods.allows_row(wanted):
            self.looks_left -= _COMPLETION
            partial = np.full_like(wanted, FREE)
            for factor, level in pairs:
                partial[factor] = level
            completed = self._nogoods.completed(partial, wanted)
            if completed is None:
                return []
            wanted = completed
        changed = np.flatnonzero(wanted != self.rows[row])
        return [(row, int(factor), int(wanted[factor])) for factor in changed]

    def _costs(self, rows: Ints, factor: int, level: int) -> Ints:
        """Tell by how much the deficit grows if a factor is set to a level, for each of these rows."""
        where, weights = self._space.having[factor]
        old = self._numbers[np.ix_(rows, where)]
        new = old + (level - self.rows[rows, factor])[:, np.newaxis] * weights
        self.looks_left -= 2 * old.size
        lost = (self._counts[old] <= self._needs[old]).sum(axis=1)
        won = (self._counts[new] < self._needs[new]).sum(axis=1)
        return np.asarray(lost - won)

    def _change(self, row: int, factor: int, level: int) -> None:
        where, weights = self._space.having[factor]
        old = self._numbers[row, where]
        new = old + (level - self.rows[row, factor]) * weights
        self._counts[old] -= 1
        lost = old[self._counts[old] < self._needs[old]]
        won = new[self._counts[new] < self._needs[new]]
        self._counts[new] += 1
        self._numbers[row, where] = new
        self.rows[row, factor] = level
        self._deficit += len(lost) - len(won)
        for number in lost.tolist():
            self._missing.add(number)
        for number in won[self._counts[won] >= self._needs[won]].tolist():
            self._missing.remove(number)


class _Bag:
    """A set that gives a member by chance, in the same order for the same seed."""

    def __init__(self, members: list[int]) -> None:
        self._members = members
        self._places = {member: place for place, member in enumerate(members)}

    def __bool__(self) -> bool:
        return bool(self._members)

    def pick(self, rng: np.random.Generator) -> int:
        return self._members[int(rng.integers(len(self._members)))]

    def add(self, member: int) -> None:
        if member not in self._places:
            self._places[member] = len(self._members)
            self._members.append(member)

    def remove(self, member: int) -> None:
        place = self._places.pop(member)
        last = self._members.pop()
        if last != member:
            self._members[place] = last
            self._places[last] = place
