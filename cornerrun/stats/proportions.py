"""Share of successes: its interval, the trials that demonstrate it, and the difference of two.

Boards are the unit of yield; trials on one board say something of that board only. Callers keep the two apart.
"""

import math
from enum import StrEnum
from typing import Literal

from cornerrun.stats.distributions import beta_quantile, binomial_cdf, normal_quantile
from cornerrun.stats.interval import Interval, checked_confidence, checked_count

__all__ = [
    "Demonstration",
    "Method",
    "Side",
    "acceptance_probability",
    "demonstration",
    "demonstration_size",
    "difference_interval",
    "proportion_interval",
]

Method = Literal["clopper-pearson", "wilson", "wilson-corrected", "jeffreys", "agresti-coull"]
Side = Literal["two-sided", "lower", "upper"]

# A bound that equals a claim in exact arithmetic must not miss it by the last bit: 0.9 ** 2 against 1 - 0.19.
_TIE = 1e-12


def proportion_interval(
    successes: float,
    trials: float,
    *,
    confidence: float = 0.95,
    method: Method = "clopper-pearson",
    side: Side = "two-sided",
) -> Interval:
    """Bound the probability of success from ``successes`` in ``trials``.

    "lower" and "upper" put the whole risk on that bound; the other end is then 1 or 0. No trials say nothing: the
    interval is 0 to 1 and has no estimate. "wilson-corrected" is Wilson's with the continuity correction.

    Clopper-Pearson never covers less than it says (Clopper & Pearson, Biometrika 1934;26:404); Wilson's and Jeffreys's
    do so on average (Brown, Cai & DasGupta, Statist. Sci. 2001;16:101). Jeffreys's here is the plain equal-tailed
    interval of Beta(x + 1/2, n - x + 1/2), also at x = 0 and x = n.

    Raises:
        ValueError: a count is not whole, successes exceed trials, or an option is unknown.

    """
    n = checked_count("trials", trials)
    x = checked_count("successes", successes)
    if x > n:
        raise ValueError(f"successes must not exceed trials, but {x} > {n}")
    risk = 1.0 - checked_confidence(confidence)
    if side not in ("two-sided", "lower", "upper"):
        raise ValueError(f"side must be 'two-sided', 'lower' or 'upper', but is {side!r}")
    bounds = {
        "clopper-pearson": _clopper_pearson,
        "wilson": _wilson,
        "wilson-corrected": _wilson_corrected,
        "jeffreys": _jeffreys,
        "agresti-coull": _agresti_coull,
    }.get(method)
    if bounds is None:
        raise ValueError(
            f"method must be clopper-pearson, wilson, wilson-corrected, jeffreys or agresti-coull, but is {method!r}"
        )
    if n == 0:
        return Interval(estimate=None, low=0.0, high=1.0, confidence=confidence, method=method)
    low, high = bounds(x, n, risk / 2 if side == "two-sided" else risk)
    return Interval(
        estimate=x / n,
        low=0.0 if side == "upper" else max(0.0, low),
        high=1.0 if side == "lower" else min(1.0, high),
        confidence=confidence,
        method=method,
    )


def _clopper_pearson(x: int, n: int, tail: float) -> tuple[float, float]:
    low = 0.0 if x == 0 else beta_quantile(tail, x, n - x + 1)
    # By symmetry, so that a large 1 - tail costs no digits.
    high = 1.0 if x == n else 1.0 - beta_quantile(tail, n - x, x + 1)
    return low, high


def _jeffreys(x: int, n: int, tail: float) -> tuple[float, float]:
    return beta_quantile(tail, x + 0.5, n - x + 0.5), 1.0 - beta_quantile(tail, n - x + 0.5, x + 0.5)


def _wilson(x: int, n: int, tail: float) -> tuple[float, float]:
    """Wilson, JASA 1927;22:209; Newcombe, Stat Med 1998;17:857, method 3."""
    z = -normal_quantile(tail)
    p = x / n
    centre = 2 * n * p + z * z
    spread = z * math.sqrt(z * z + 4 * n * p * (1 - p))
    scale = 2 * (n + z * z)
    # The ends are exact where nothing or everything succeeded; rounding must not move them.
    return (0.0 if x == 0 else (centre - spread) / scale), (1.0 if x == n else (centre + spread) / scale)


def _agresti_coull(x: int, n: int, tail: float) -> tuple[float, float]:
    """Agresti & Coull, Am. Stat. 1998;52:119; cut to 0 and 1 by the caller."""
    z = -normal_quantile(tail)
    size = n + z * z
    p = (x + z * z / 2) / size
    reach = z * math.sqrt(p * (1 - p) / size)
    return p - reach, p + reach


def _wilson_corrected(x: int, n: int, tail: float) -> tuple[float, float]:
    """Newcombe, Stat Med 1998;17:857, method 4."""
    z = -normal_quantile(tail)
    p = x / n
    scale = 2 * (n + z * z)
    low_root = z * z - 2 - 1 / n + 4 * p * (n * (1 - p) + 1)
    high_root = z * z + 2 - 1 / n + 4 * p * (n * (1 - p) - 1)
    low = 0.0 if x == 0 else (2 * n * p + z * z - 1 - z * math.sqrt(max(0.0, low_root))) / scale
    high = 1.0 if x == n else (2 * n * p + z * z + 1 + z * math.sqrt(max(0.0, high_root))) / scale
    return low, high


def difference_interval(
    successes_a: float, trials_a: float, successes_b: float, trials_b: float, *, confidence: float = 0.95
) -> Interval:
    """Bound the probability of success in ``a`` less that in ``b`` by Newcombe's hybrid score.

    No trials on a side say nothing of it: its share may lie anywhere from 0 to 1.

    Source: Newcombe, Stat Med 1998;17:873, method 10.
    """
    a = proportion_interval(successes_a, trials_a, confidence=confidence, method="wilson")
    b = proportion_interval(successes_b, trials_b, confidence=confidence, method="wilson")
    if a.estimate is None or b.estimate is None:
        return Interval(
            estimate=None,
            low=a.low - b.high,
            high=a.high - b.low,
            confidence=confidence,
            method="newcombe hybrid score",
        )
    difference = a.estimate - b.estimate
    return Interval(
        estimate=difference,
        low=max(-1.0, difference - math.hypot(a.estimate - a.low, b.high - b.estimate)),
        high=min(1.0, difference + math.hypot(a.high - a.estimate, b.estimate - b.low)),
        confidence=confidence,
        method="newcombe hybrid score",
    )


def demonstration_size(*, reliability: float, confidence: float, failures: int = 0) -> int:
    """Count the fewest trials that demonstrate ``reliability`` at ``confidence`` if at most ``failures`` of them fail.

    The smallest n for which the one-sided Clopper-Pearson lower bound reaches ``reliability``: without failures
    ln(1 - C) / ln R, rounded up.
    """
    risk = 1.0 - checked_confidence(confidence)
    allowed = checked_count("failures", failures)
    if not 0.0 < reliability < 1.0:
        raise ValueError(f"reliability must lie between 0 and 1, both excluded, but is {reliability!r}")

    def shows(n: int) -> bool:
        if allowed == 0:
            # In logarithms, since 1 - R loses digits where R is near 1.
            return n * math.log(reliability) <= math.log(risk) * (1 - _TIE)
        return binomial_cdf(allowed, n, 1.0 - reliability) <= risk * (1 + _TIE)

    low, high = allowed, allowed + 1
    while not shows(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def acceptance_probability(*, pass_probability: float, trials: int, failures: int = 0) -> float:
    """Tell how probably a board with ``pass_probability`` a trial shows at most ``failures`` in ``trials``."""
    if not 0.0 <= pass_probability <= 1.0:
        raise ValueError(f"pass_probability must lie between 0 and 1, but is {pass_probability!r}")
    n = checked_count("trials", trials)
    return binomial_cdf(checked_count("failures", failures), n, 1.0 - pass_probability)


class Demonstration(StrEnum):
    """What trials say of a claim: shown, shown to be wrong, or neither yet; open is no pass."""

    DEMONSTRATED = "demonstrated"
    REFUTED = "refuted"
    OPEN = "open"


def demonstration(failures: int, trials: int, *, pass_probability: float, confidence: float) -> Demonstration:
    """Decide whether trials demonstrate that a trial passes with at least ``pass_probability``.

    Demonstrated if the one-sided Clopper-Pearson lower bound at ``confidence`` reaches the claim; refuted if the upper
    bound stays below it.
    """
    passes = checked_count("trials", trials) - checked_count("failures", failures)
    lower = proportion_interval(passes, trials, confidence=confidence, side="lower")
    upper = proportion_interval(passes, trials, confidence=confidence, side="upper")
    if lower.low >= pass_probability * (1 - _TIE):
        return Demonstration.DEMONSTRATED
    return Demonstration.REFUTED if upper.high < pass_probability else Demonstration.OPEN
