"""Combinations of levels that must not be, and whether a partial row can still be completed without any of them."""

from collections.abc import Iterable, Sequence

import numpy as np

from cornerrun.corners.array_input import FREE, Combination, read_combination
from cornerrun.corners.tuples import ArrayError, Ints

__all__ = ["FREE", "Combination", "Nogoods"]

Pair = tuple[int, int]


class Nogoods:
    """Forbidden combinations of any arity over factors with these numbers of levels.

    The search is depth first with unit propagation: a combination of which all but one level are set takes that level
    from its factor. ArrayError if a combination names a factor or a level that there is not, or names nothing.
    """

    def __init__(self, levels: Sequence[int], forbidden: Iterable[Combination] = ()) -> None:
        self._levels = tuple(levels)
        kept: dict[frozenset[Pair], None] = {}
        for combination in forbidden:
            pairs = self._pairs(combination)
            if len({factor for factor, _ in pairs}) == len(pairs):  # two levels of one factor never meet anyway
                kept[pairs] = None
        self.combinations: tuple[tuple[Pair, ...], ...] = tuple(
            tuple(sorted(pairs)) for pairs in kept if not any(other < pairs for other in kept)
        )
        self._having: dict[Pair, list[tuple[Pair, ...]]] = {}
        for combination in self.combinations:
            for pair in combination:
                self._having.setdefault(pair, []).append(combination)
        touched = [factor for combination in self.combinations for factor, _ in combination]
        self.factors = tuple(sorted(set(touched), key=lambda factor: (-touched.count(factor), factor)))
        self._lone = [combination[0] for combination in self.combinations if len(combination) == 1]

    def __bool__(self) -> bool:
        return bool(self.combinations)

    def allows(self, rows: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Tell for each row whether it holds no forbidden combination."""
        allowed = np.ones(len(rows), dtype=np.bool_)
        for combination in self.combinations:
            factors = [factor for factor, _ in combination]
            allowed &= ~np.all(rows[:, factors] == [level for _, level in combination], axis=1)
        return allowed

    def allows_row(self, row: Ints) -> bool:
        """Whether one row holds no forbidden combination."""
        levels = row.tolist()
        for combination in self.combinations:
            for factor, level in combination:
                if levels[factor] != level:
                    break
            else:
                return False
        return True

    def allows_change(self, row: Ints, factor: int, level: int) -> bool:
        """Whether an allowed row stays so when one factor is set to another level."""
        return not any(
            all(row[other] == wanted for other, wanted in combination if other != factor)
            for combination in self._having.get((factor, level), ())
        )

    def completed(self, partial: Ints, preferred: Ints) -> Ints | None:
        """Set the open factors of a row so that nothing forbidden is in it, to the preferred levels where they can be.

        None if there is no such row. An open factor that no combination names gets its preferred level.
        """
        row = np.where(partial == FREE, preferred, partial)
        if self.allows_row(row):
            return row
        domains = [(1 << count) - 1 for count in self._levels]
        queue: list[int] = []
        for factor, level in self._lone:
            domains[factor] &= ~(1 << level)
        for factor, level in enumerate(partial):
            if level != FREE:
                domains[factor] &= 1 << int(level)
        for factor, domain in enumerate(domains):
            if domain == 0:
                return None
            if domain & (domain - 1) == 0:
                queue.append(factor)
        solved = self._search(domains, queue, preferred)
        if solved is None:
            return None
        for factor in self.factors:
            row[factor] = solved[factor].bit_length() - 1
        return row

    def can_hold(self, pairs: Iterable[Pair]) -> bool:
        """Whether some allowed row holds these levels of factors."""
        partial = np.full(len(self._levels), FREE, dtype=np.int64)
        for factor, level in pairs:
            partial[factor] = level
        return self.completed(partial, np.zeros(len(self._levels), dtype=np.int64)) is not None

    def _search(self, domains: list[int], queue: list[int], preferred: Ints) -> list[int] | None:
        if not self._propagate(domains, queue):
            return None
        open_factor = next((factor for factor in self.factors if domains[factor] & (domains[factor] - 1)), None)
        if open_factor is None:
            return domains
        domain = domains[open_factor]
        wanted = int(preferred[open_factor])
        levels = [level for level in range(self._levels[open_factor]) if domain >> level & 1]
        levels.sort(key=lambda level: level != wanted)
        for level in levels:
            tried = list(domains)
            tried[open_factor] = 1 << level
            solved = self._search(tried, [open_factor], preferred)
            if solved is not None:
                return solved
        return None

    def _propagate(self, domains: list[int], queue: list[int]) -> bool:
        while queue:
            factor = queue.pop()
            level = domains[factor].bit_length() - 1
            for combination in self._having.get((factor, level), ()):
                last: Pair | None = None
                is_open = True
                for other, wanted in combination:
                    domain = domains[other]
                    if domain == 1 << wanted:
                        continue
                    if last is not None or not domain >> wanted & 1:
                        is_open = False  # two levels of it are still open, or one cannot be met any more
                        break
                    last = (other, wanted)
                if not is_open:
                    continue
                if last is None:
                    return False
                other, wanted = last
                domains[other] &= ~(1 << wanted)
                if domains[other] & (domains[other] - 1) == 0:
                    queue.append(other)
        return True

    def _pairs(self, combination: Combination) -> frozenset[Pair]:
        pairs = read_combination(combination)
        if not pairs:
            raise ArrayError("a forbidden combination names nothing, and so would forbid every row")
        for factor, level in pairs:
            if not 0 <= factor < len(self._levels) or not 0 <= level < self._levels[factor]:
                raise ArrayError(f"a forbidden combination names level {level} of factor {factor}, which there is not")
        return pairs
