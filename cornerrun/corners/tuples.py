"""Every combination of levels of any t factors, numbered, so that whole arrays are counted at once."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

from cornerrun.errors import PlanError

__all__ = ["ArrayError", "Ints", "Tuple", "TupleSpace"]

Ints = NDArray[np.int64]
Tuple = tuple[tuple[int, int], ...]


class ArrayError(PlanError, ValueError):
    """Say that a covering array cannot be built or counted as asked."""


_MOST = 30_000_000  # chosen: beyond it the numbers of the tuples alone fill the memory of a small machine


@dataclass(frozen=True)
class TupleSpace:
    """The t-tuples of factors with these numbers of levels.

    A tuple is (factor, level) pairs in order of factors; its number is ``offsets[c] + sum(level * weights[c])`` for the
    combination ``c`` of factors that it is of.
    """

    levels: tuple[int, ...]
    strength: int

    def __post_init__(self) -> None:
        if not all(count >= 1 for count in self.levels):
            raise ArrayError(f"every factor needs one level at least; came {self.levels}")
        if not 1 <= self.strength <= len(self.levels):
            raise ArrayError(
                f"strength {self.strength} does not fit {len(self.levels)} factors: it goes from 1 to their number"
            )
        if self.size > _MOST:
            raise ArrayError(
                f"{self.size:,} combinations of {self.strength} levels are too many; ask for less strength"
            )

    @cached_property
    def columns(self) -> Ints:
        """The factors of each combination, in rows."""
        return np.array(list(combinations(range(len(self.levels)), self.strength)), dtype=np.int64)

    @cached_property
    def weights(self) -> Ints:
        """What one level of each factor of a combination adds to a tuple's number."""
        counts = np.asarray(self.levels, dtype=np.int64)[self.columns]
        weights = np.ones_like(counts)
        weights[:, :-1] = np.cumprod(counts[:, :0:-1], axis=1)[:, ::-1]
        return weights

    @cached_property
    def sizes(self) -> Ints:
        """How many tuples each combination has."""
        counts: Ints = np.prod(np.asarray(self.levels, dtype=np.int64)[self.columns], axis=1)
        return counts

    @cached_property
    def offsets(self) -> Ints:
        """The number of the first tuple of each combination."""
        return np.concatenate([[0], np.cumsum(self.sizes)[:-1]]).astype(np.int64)

    @cached_property
    def size(self) -> int:
        """How many tuples there are: the elementary symmetric polynomial of the numbers of levels."""
        sums = [1] + [0] * self.strength
        for count in self.levels:
            for place in range(self.strength, 0, -1):
                sums[place] += count * sums[place - 1]
        return sums[self.strength]

    @cached_property
    def having(self) -> tuple[tuple[Ints, Ints], ...]:
        """For each factor: the combinations that it is in, and what one level of it adds there."""
        found = []
        for factor in range(len(self.levels)):
            where, place = np.nonzero(self.columns == factor)
            found.append((where, self.weights[where, place]))
        return tuple(found)

    def numbers(self, rows: Ints) -> Ints:
        """Tell the number of the tuple that each row has for each combination: rows x combinations."""
        found = np.broadcast_to(self.offsets, (len(rows), len(self.offsets))).copy()
        for place in range(self.strength):
            found += rows[:, self.columns[:, place]] * self.weights[:, place]
        return found

    def counts(self, rows: Ints) -> Ints:
        """Count how often each tuple is met; a level below 0 stands for none of the factor's own, and meets nothing."""
        total = np.zeros(self.size, dtype=np.int64)
        step = max(1, 4_000_000 // max(1, len(self.offsets)))
        for start in range(0, len(rows), step):
            part = rows[start : start + step]
            numbers = self.numbers(np.maximum(part, 0))
            if part.size and part.min() < 0:
                numbers = numbers[~(part < 0)[:, self.columns].any(axis=2)]
            total += np.bincount(numbers.ravel(), minlength=self.size)
        return total

    def digits(self) -> Ints:
        """Tell the levels of every tuple: tuples x strength, in the order of their numbers."""
        combination = np.repeat(np.arange(len(self.offsets)), self.sizes)
        rest = np.arange(self.size) - self.offsets[combination]
        counts = np.asarray(self.levels, dtype=np.int64)[self.columns]
        found: Ints = rest[:, np.newaxis] // self.weights[combination] % counts[combination]
        return found

    def spell(self, number: int) -> Tuple:
        """Tell the factors and levels of a tuple by its number."""
        combination = int(np.searchsorted(self.offsets, number, side="right")) - 1
        rest = number - int(self.offsets[combination])
        pairs = []
        for factor, weight in zip(self.columns[combination], self.weights[combination], strict=True):
            level, rest = divmod(rest, int(weight))
            pairs.append((int(factor), level))
        return tuple(pairs)

    def number(self, pairs: Sequence[tuple[int, int]]) -> int:
        """Tell the number of a tuple; the inverse of `spell`."""
        wanted = sorted(pairs)
        row = np.zeros((1, len(self.levels)), dtype=np.int64)
        for factor, level in wanted:
            row[0, factor] = level
        # The combination's place among all, in lexicographic order.
        combination, previous = 0, -1
        for place, (factor, _) in enumerate(wanted):
            for skipped in range(previous + 1, factor):
                combination += comb(len(self.levels) - skipped - 1, self.strength - place - 1)
            previous = factor
        return int(self.numbers(row)[0, combination])
