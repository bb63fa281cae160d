"""Read what callers give a covering array: numbers of levels, rows and combinations, strictly.

A level that is misread spoils an array in silence; so nothing is rounded, and no text is taken for a number.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from cornerrun.corners.tuples import ArrayError, Ints

__all__ = ["FREE", "Combination", "Row", "read_combination", "read_levels", "read_rows", "whole"]

FREE = -1  # a factor that a partial row leaves open

Combination = Mapping[int, int] | Iterable[tuple[int, int]]
Row = Sequence[int | None] | Mapping[int, int]


def whole(value: Any, what: str) -> int:
    """Return a whole number of any numeric type as an int; ArrayError for anything else."""
    try:
        number = int(value)
        is_whole = bool(number == value)
    except (TypeError, ValueError, OverflowError):
        is_whole = False
    if not is_whole:
        raise ArrayError(f"{what} is a whole number; came {value!r}")
    return number


def read_levels(levels: Iterable[int]) -> tuple[int, ...]:
    """Return the number of levels of each factor."""
    if isinstance(levels, str | Mapping) or not hasattr(levels, "__iter__"):
        raise ArrayError(f"levels hold the number of levels of each factor, as in [2, 2, 3]; came {levels!r:.60}")
    return tuple(whole(count, "the number of levels of a factor") for count in levels)


def read_combination(combination: Combination) -> frozenset[tuple[int, int]]:
    """Return a forbidden combination as pairs of factor and level."""
    pairs: list[Any] = [None]
    if isinstance(combination, Mapping):
        pairs = list(combination.items())
    elif hasattr(combination, "__iter__"):
        pairs = list(combination)
    try:
        if any(isinstance(pair, str) for pair in pairs):
            raise TypeError
        split = [(factor, level) for factor, level in pairs]
    except (TypeError, ValueError) as error:
        raise ArrayError(
            "a forbidden combination is a mapping as {factor: level} or pairs as ((factor, level), ...); "
            f"came {combination!r:.60}"
        ) from error
    return frozenset((whole(factor, "a factor"), whole(level, "a level")) for factor, level in split)


def read_rows(rows: Iterable[Row] | Ints, levels: Sequence[int]) -> Ints:
    """Return rows as an array; None, -1 and what a mapping does not name are `FREE`."""
    plain = rows.to_numpy() if hasattr(rows, "to_numpy") else rows
    if isinstance(plain, str | Mapping) or not hasattr(plain, "__iter__"):
        raise ArrayError(f"an array is rows, each with a level for every factor; came {rows!r:.60}")
    read = [_read_row(row, levels) for row in plain]
    return np.array(read, dtype=np.int64).reshape(len(read), len(levels))


def _read_row(row: Any, levels: Sequence[int]) -> list[int]:
    if isinstance(row, Mapping):
        named = dict(read_combination(row))
        if not all(0 <= factor < len(levels) for factor in named):
            raise ArrayError(f"a row names a factor that there is not: {row}")
        row = [named.get(factor) for factor in range(len(levels))]
    if isinstance(row, str) or not hasattr(row, "__iter__"):
        raise ArrayError(f"an array is rows, each with a level for every factor; one of them is {row!r}")
    found = [FREE if level is None else whole(level, "a level") for level in row]
    if len(found) != len(levels):
        raise ArrayError(f"a row has {len(found)} levels where there are {len(levels)} factors: {found}")
    if not all(FREE <= level < count for level, count in zip(found, levels, strict=True)):
        raise ArrayError(f"a row names a level that its factor does not have: {found}")
    return found
