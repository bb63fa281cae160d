"""Which rails are to blame for failing corners, as far as the corners that were run can tell.

``levels`` is one mapping from rail to level for each corner , or another form that `corner_rows.Levels` names;
``failed`` is one truth for each.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from cornerrun.stats.contingency import fisher_p_value
from cornerrun.stats.corner_rows import Levels, as_corners
from cornerrun.stats.firth import FirthFit, firth_logistic
from cornerrun.stats.interval import Interval
from cornerrun.stats.multiple import benjamini_hochberg, holm
from cornerrun.stats.proportions import difference_interval

__all__ = [
    "Combination",
    "FirthFit",
    "LevelAssociation",
    "Suspect",
    "checked_corners",
    "firth_logistic",
    "level_associations",
    "surviving_suspects",
]

Combination = tuple[tuple[str, str], ...]
"""Rails, each at a level, in the order in which the corners name the rails."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LevelAssociation:
    """How failures go with one rail at one level: counts with it and without it.

    ``difference`` bounds the share of failures with it less that without (Newcombe). ``p_value`` is Fisher's exact,
    two-sided; ``holm`` and ``benjamini_hochberg`` allow for all associations tested together.
    """

    rail: str
    level: str
    failed_with: int
    n_with: int
    failed_without: int
    n_without: int
    difference: Interval
    p_value: float
    holm: float
    benjamini_hochberg: float


def checked_corners(
    levels: Levels, failed: Iterable[bool]
) -> tuple[list[Mapping[str, str]], list[bool], tuple[str, ...]]:
    """Return corners, outcomes and rails; ValueError if their numbers differ or corners name different rails."""
    corners, outcomes = as_corners(levels), [bool(item) for item in failed]
    if len(corners) != len(outcomes):
        raise ValueError(f"each corner needs an outcome: {len(corners)} corners, {len(outcomes)} outcomes")
    return corners, outcomes, tuple(corners[0]) if corners else ()


def level_associations(levels: Levels, failed: Iterable[bool]) -> tuple[LevelAssociation, ...]:
    """Test each rail at each level against failure, the strongest association first.

    A rail with two levels is one test: the level that failed more often is told. A rail that never changed is none.
    """
    corners, outcomes, rails = checked_corners(levels, failed)
    tables: list[tuple[str, str, int, int, int, int]] = []
    for rail in rails:
        own = [_table(rail, level, corners, outcomes) for level in dict.fromkeys(c[rail] for c in corners)]
        if len(own) == 2:
            own = [max(own, key=lambda row: row[2] / row[3])]
        tables += own if len(own) != 1 or own[0][5] else []
    p_values = [fisher_p_value([[a, n - a], [b, m - b]]) for _, _, a, n, b, m in tables]
    strict, mild = holm(p_values), benjamini_hochberg(p_values)
    found = [
        LevelAssociation(
            rail=rail,
            level=level,
            failed_with=a,
            n_with=n,
            failed_without=b,
            n_without=m,
            difference=difference_interval(a, n, b, m),
            p_value=p_values[i],
            holm=strict[i],
            benjamini_hochberg=mild[i],
        )
        for i, (rail, level, a, n, b, m) in enumerate(tables)
    ]
    return tuple(sorted(found, key=lambda item: (item.p_value, -(item.difference.estimate or 0.0))))


def _table(
    rail: str, level: str, corners: Sequence[Mapping[str, str]], outcomes: Sequence[bool]
) -> tuple[str, str, int, int, int, int]:
    here = [corner[rail] == level for corner in corners]
    n, failures = sum(here), sum(outcomes)
    a = sum(f and h for f, h in zip(outcomes, here, strict=True))
    return rail, level, a, n, failures - a, len(corners) - n


@dataclass(frozen=True, kw_only=True, slots=True)
class Suspect:
    """A combination that was in a failing corner and in no passing one.

    ``failing`` counts the failing corners that hold it, of ``failing_total``: one that explains them all may be the
    only culprit.
    """

    combination: Combination
    failing: int
    failing_total: int

    @property
    def explains_all(self) -> bool:
        """Whether it alone could have made every corner fail that failed."""
        return self.failing == self.failing_total


def surviving_suspects(levels: Levels, failed: Iterable[bool], *, strength: int = 2) -> tuple[Suspect, ...]:
    """List combinations of up to ``strength`` rails that a failing corner holds and no passing corner clears.

    For checks that fail whenever their cause is there; `likely_suspects` is for noisy ones. A combination is left out
    where a part of it already survives. Those that explain most come first, smaller ones before larger.

    Raises:
        ValueError: ``strength`` is not 1, 2 or 3, or corners name different rails.

    """
    if strength not in (1, 2, 3):
        raise ValueError(f"strength must be 1, 2 or 3, but is {strength!r}")
    corners, outcomes, rails = checked_corners(levels, failed)
    items = [tuple((rail, corner[rail]) for rail in rails) for corner in corners]
    failing = [item for item, has_failed in zip(items, outcomes, strict=True) if has_failed]
    passing = [item for item, has_failed in zip(items, outcomes, strict=True) if not has_failed]
    survivors: dict[Combination, int] = {}
    for size in range(1, strength + 1):
        cleared = {part for item in passing for part in combinations(item, size)}
        counts: dict[Combination, int] = {}
        for item in failing:
            for part in combinations(item, size):
                if part not in cleared:
                    counts[part] = counts.get(part, 0) + 1
        smaller = tuple(survivors)
        for part, count in counts.items():
            if not any(set(less) < set(part) for less in smaller):
                survivors[part] = count
    found = [Suspect(combination=part, failing=count, failing_total=len(failing)) for part, count in survivors.items()]
    return tuple(sorted(found, key=lambda item: (-item.failing, len(item.combination), item.combination)))
