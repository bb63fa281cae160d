"""Suspects for noisy checks: how well each combination explains the failures counted at every corner."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from cornerrun.stats.corner_rows import as_corners
from cornerrun.stats.culprits import Combination
from cornerrun.stats.distributions import chi2_upper_tail
from cornerrun.stats.interval import checked_count

__all__ = ["LikelySuspect", "likely_suspects"]


@dataclass(frozen=True, kw_only=True, slots=True)
class LikelySuspect:
    """A combination, and how much better trials are explained if failures go with it.

    ``gain`` is the log-likelihood gained over one failure rate for all corners. ``weight`` is its share of the evidence
    among all combinations looked at and "none of them", each equally likely beforehand (Schwarz's approximation).
    ``p_value`` is adjusted for the number of combinations looked at (Bonferroni).
    """

    combination: Combination
    failures_with: int
    trials_with: int
    failures_without: int
    trials_without: int
    gain: float
    weight: float
    p_value: float


def likely_suspects(
    levels: Iterable[Mapping[str, str]],
    failures: Iterable[int],
    trials: Iterable[int],
    *,
    strength: int = 2,
    most: int = 20,
) -> tuple[LikelySuspect, ...]:
    """Rank combinations of up to ``strength`` rails by how well they explain failures in trials, the best first.

    Only combinations that fail more often with than without are suspects. Those present in the very same corners share
    the evidence equally: the corners cannot tell them apart.

    Raises:
        ValueError: unequal lengths, corners that name different rails, more failures than trials, a strength other than
            1, 2 or 3.

    """
    if strength not in (1, 2, 3):
        raise ValueError(f"strength must be 1, 2 or 3, but is {strength!r}")
    corners = as_corners(levels)
    failed = [checked_count("failures", f) for f in failures]
    tried = [checked_count("trials", t) for t in trials]
    if not len(corners) == len(failed) == len(tried):
        raise ValueError("each corner needs its failures and its trials")
    if any(f > t for f, t in zip(failed, tried, strict=True)):
        raise ValueError("failures must not exceed trials")
    rails = tuple(corners[0]) if corners else ()
    holders = _holders(corners, rails, strength)
    total_f, total_t = sum(failed), sum(tried)
    base = _log_likelihood(total_f, total_t)
    penalty = 0.5 * math.log(total_t) if total_t > 1 else 0.0
    rows: list[tuple[Combination, int, int, float]] = []
    for part, where in holders.items():
        f, t = sum(failed[i] for i in where), sum(tried[i] for i in where)
        if 0 < t < total_t and f * (total_t - t) > (total_f - f) * t:
            gain = _log_likelihood(f, t) + _log_likelihood(total_f - f, total_t - t) - base
            rows.append((part, f, t, gain))
    top = max((gain - penalty for *_, gain in rows), default=0.0)
    top = max(top, 0.0)
    whole = math.exp(-top) + math.fsum(math.exp(gain - penalty - top) for *_, gain in rows)
    rows.sort(key=lambda row: (-row[3], len(row[0]), row[0]))
    return tuple(
        LikelySuspect(
            combination=part,
            failures_with=f,
            trials_with=t,
            failures_without=total_f - f,
            trials_without=total_t - t,
            gain=gain,
            weight=math.exp(gain - penalty - top) / whole,
            p_value=min(1.0, len(holders) * chi2_upper_tail(2 * max(0.0, gain), 1)),
        )
        for part, f, t, gain in rows[:most]
    )


def _holders(corners: Sequence[Mapping[str, str]], rails: Sequence[str], strength: int) -> dict[Combination, list[int]]:
    """Tell which corners hold each combination that some, but not all, corners hold."""
    holders: dict[Combination, list[int]] = {}
    for i, corner in enumerate(corners):
        item = tuple((rail, corner[rail]) for rail in rails)
        for size in range(1, strength + 1):
            for part in combinations(item, size):
                holders.setdefault(part, []).append(i)
    return {part: where for part, where in holders.items() if len(where) < len(corners)}


def _log_likelihood(failures: int, trials: int) -> float:
    """Tell the greatest log-likelihood of one failure rate; 0 for nothing or everything failed."""
    if failures in (0, trials):
        return 0.0
    share = failures / trials
    return failures * math.log(share) + (trials - failures) * math.log1p(-share)
