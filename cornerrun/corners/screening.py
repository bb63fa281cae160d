"""Screening designs: main effects of many two-level factors from few runs, and what is mixed up with what.

Levels are -1 and +1, rows are runs. A main effect is the mean of a response at +1 less that at -1.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations
from operator import xor

import numpy as np

from cornerrun.corners.constructions import field_tables, prime_power
from cornerrun.corners.tuples import ArrayError, Ints

__all__ = ["Fraction", "fold_over", "fractional_factorial", "plackett_burman", "smallest_fraction"]

# First rows of Plackett and Burman (Biometrika 33, 1946), as in the NIST/SEMATECH e-Handbook, 5.3.3.5; from memory.
_GENERATORS: Mapping[int, str] = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
_ALL_WORDS_UP_TO = 12  # generators: each doubles the number of words
_MOST_RUNS = 4096  # chosen: nobody visits more corners to screen
_LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"  # without I, which stands for the mean (common practice, no source)


def plackett_burman(factors: int) -> Ints:
    """Build a design of the least multiple of four above ``factors`` rows whose columns are orthogonal and balanced.

    Orders without a published generator come from the constructions of Sylvester and Paley (a Hadamard matrix less its
    first column); where neither gives one (92, 116, ...), the next order is taken. Each main effect is mixed up with
    interactions of two of the other factors: `fold_over` frees it.

    Raises:
        ArrayError: there are no factors, or more than 4095.

    """
    if not 1 <= factors < _MOST_RUNS:
        raise ArrayError(f"a screening design has 1 to {_MOST_RUNS - 1} factors; came {factors}")
    runs = max(factors // 4 * 4 + 4, 4)
    if runs in _GENERATORS:
        first = np.array([1 if sign == "+" else -1 for sign in _GENERATORS[runs]], dtype=np.int64)
        cyclic = np.array([np.roll(first, shift) for shift in range(runs - 1)])
        return np.vstack([cyclic, -np.ones((1, runs - 1), dtype=np.int64)])[:, :factors]
    while (matrix := _hadamard(runs)) is None:
        runs += 4
    return matrix[:, 1 : factors + 1] * matrix[:, :1]


def fold_over(design: Ints) -> Ints:
    """Add every run with all signs changed: main effects are then free of interactions of two factors."""
    return np.vstack([design, -design])


@dataclass(frozen=True, kw_only=True, eq=False)
class Fraction:
    """A fractional factorial design of two levels.

    ``rows`` is runs x factors. ``words`` are the products of factors that are the same in every run, shortest first
    (the defining relation, without I); of more than 12 generators only those of up to four factors. ``resolution`` is
    the length of the shortest word: 5 stands for "5 or more" where longer ones are not listed, and one more than the
    number of factors means that nothing is mixed up.
    """

    factors: tuple[str, ...]
    rows: Ints
    words: tuple[tuple[str, ...], ...]
    resolution: int
    _masks: tuple[int, ...]

    def aliases(self, order: int = 2) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """List effects of up to ``order`` factors that cannot be told apart together, and others alone.

        Main effects come first. What cannot be told from the mean, words of the design, is left out.
        """
        found: dict[int, list[tuple[str, ...]]] = {}
        for size in range(1, order + 1):
            for effect in combinations(range(len(self.factors)), size):
                mask = _product(self._masks[place] for place in effect)
                if mask:
                    found.setdefault(mask, []).append(tuple(self.factors[place] for place in effect))
        return tuple(tuple(effects) for effects in found.values())


def fractional_factorial(base: int, generators: Sequence[str] = (), names: Sequence[str] = ()) -> Fraction:
    """Build a design of ``base`` free factors and one more for each generator, 2^base runs.

    A generator is a product of free factors by letter, "ABC" or "-ABC" for its opposite; factors are called A, B, C
    (without I) unless ``names`` are given. The first factor changes slowest, each from -1 to +1.

    Raises:
        ArrayError: a generator names no free factor or one twice, or two factors would always be the same.

    """
    count = base + len(generators)
    called = tuple(names) if names else tuple(_LETTERS[:count])
    if not 1 <= base <= 12 or len(called) != count or len(set(called)) != count:
        raise ArrayError(
            f"{base} free factors and {len(generators)} generators need 1 to 12 free factors and {count} names"
        )
    free = {letter: place for place, letter in enumerate(_LETTERS[:base])}
    masks, signs = [1 << place for place in range(base)], [1] * base
    for generator in generators:
        letters = generator.removeprefix("-")
        if not letters or not set(letters) <= free.keys() or len(set(letters)) != len(letters):
            raise ArrayError(f"the generator {generator!r} is no product of different letters of {''.join(free)}")
        masks.append(sum(1 << free[letter] for letter in letters))
        signs.append(-1 if generator.startswith("-") else 1)
    if len(set(masks)) != count:
        raise ArrayError("two factors would be the same in every run; give each its own generator")
    return _fraction(called, base, masks, signs)


def smallest_fraction(names: Sequence[str], resolution: int = 4) -> Fraction:
    """Build a design with few runs whose resolution is at least 3, 4 or 5.

    Resolution 3: main effects are free of each other; 4: also of interactions of two; 5: and those of each other. The
    least number of runs for 3 and 4; for 5 the least that a greedy choice of generators reaches. It has no least
    aberration: published tables may mix up fewer interactions.

    Raises:
        ArrayError: there are no factors, a name comes twice, or the design would have more than 4096 runs.

    """
    if not names or len(set(names)) != len(names) or resolution not in (3, 4, 5):
        raise ArrayError("a fraction has one or more factors, each once, and resolution 3, 4 or 5")
    for base in range(1, 13):
        masks = _independent(base, len(names), resolution)
        if masks is not None:
            return _fraction(tuple(names), base, masks, [1] * len(names))
    raise ArrayError(f"{len(names)} factors at resolution {resolution} need more than {_MOST_RUNS} runs")


def _independent(base: int, count: int, resolution: int) -> list[int] | None:
    """Choose columns, as sets of free factors, of which fewer than ``resolution`` never cancel out; free ones first."""
    masks: list[int] = []
    sums: set[int] = set()  # what one or two of the columns make together
    free = [1 << place for place in range(base)]
    others = [mask for mask in range(1, 1 << base) if mask not in free]
    for mask in sorted(free) + sorted(others, key=lambda mask: (-mask.bit_count(), mask)):
        if resolution == 4 and mask.bit_count() % 2 == 0:
            continue
        pairs = {mask ^ other for other in masks}
        if resolution == 5 and (mask in sums or pairs & sums):
            continue
        masks.append(mask)
        if resolution == 5:
            sums |= pairs | {mask}
        if len(masks) == count:
            return masks
    return None


def _fraction(names: tuple[str, ...], base: int, masks: Sequence[int], signs: Sequence[int]) -> Fraction:
    base = min(base, len(names))
    runs = np.arange(1 << base, dtype=np.int64)
    free = [np.where(runs >> (base - 1 - place) & 1, 1, -1) for place in range(base)]
    columns = [
        sign * np.prod([free[place] for place in range(base) if mask >> place & 1], axis=0)
        for mask, sign in zip(masks, signs, strict=True)
    ]
    words = sorted(_words(masks, base), key=lambda word: (len(word), word))
    unlisted = 5 if len(masks) - base > _ALL_WORDS_UP_TO else len(names) + 1
    return Fraction(
        factors=names,
        rows=np.array(columns, dtype=np.int64).T,
        words=tuple(tuple(names[place] for place in word) for word in words),
        resolution=len(words[0]) if words else unlisted,
        _masks=tuple(masks),
    )


def _words(masks: Sequence[int], base: int) -> Iterable[tuple[int, ...]]:
    """List which factors make a product that is the same in every run."""
    generators = [mask | 1 << (base + place) for place, mask in enumerate(masks[base:])]
    if len(generators) > _ALL_WORDS_UP_TO:
        for size in (3, 4):
            yield from (word for word in combinations(range(len(masks)), size) if not _product(masks[p] for p in word))
        return
    products = [0]
    for generator in generators:
        products += [product ^ generator for product in products]
    yield from (tuple(place for place in range(len(masks)) if word >> place & 1) for word in products[1:])


def _product(masks: Iterable[int]) -> int:
    """Multiply effects: a factor that comes twice cancels out."""
    return reduce(xor, masks, 0)


def _hadamard(order: int) -> Ints | None:
    """Build a matrix of +1 and -1 with orthogonal rows; None where Sylvester and Paley give none."""
    if order in (1, 2):
        return np.array([[1, 1], [1, -1]], dtype=np.int64)[:order, :order]
    power = prime_power(order - 1)
    if power is not None and (order - 1) % 4 == 3:
        jacobsthal = _jacobsthal(order - 1)
        skew = np.block([[np.zeros((1, 1)), np.ones((1, order - 1))], [-np.ones((order - 1, 1)), jacobsthal]])
        return (skew + np.eye(order)).astype(np.int64)
    if order % 4 == 0 and prime_power(order // 2 - 1) is not None and (order // 2 - 1) % 4 == 1:
        half = order // 2
        core = np.block([[np.zeros((1, 1)), np.ones((1, half - 1))], [np.ones((half - 1, 1)), _jacobsthal(half - 1)]])
        one, diagonal = np.array([[1, 1], [1, -1]]), np.array([[1, -1], [-1, -1]])
        return (np.kron(core, one) + np.kron(np.eye(half), diagonal)).astype(np.int64)
    smaller = _hadamard(order // 2) if order % 2 == 0 and order > 2 else None
    return None if smaller is None else np.kron(np.array([[1, 1], [1, -1]], dtype=np.int64), smaller)


def _jacobsthal(order: int) -> Ints:
    """Tabulate whether the difference of two elements of a field is a square (+1), none (-1) or zero."""
    add, multiply = field_tables(order)
    squares = {int(multiply[x, x]) for x in range(1, order)}
    minus = [int(np.flatnonzero(add[x] == 0)[0]) for x in range(order)]
    difference = add[:, minus]
    return np.where(difference == 0, 0, np.where(np.isin(difference, list(squares)), 1, -1)).astype(np.int64)
