"""Limits that hold a stated share of all boards, with stated confidence."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from cornerrun.stats.distributions import binomial_cdf, chi2_quantile, chi2_upper_tail_of, normal_quantile
from cornerrun.stats.interval import checked_confidence, checked_count, finite_array

__all__ = [
    "Normality",
    "ToleranceInterval",
    "distribution_free_size",
    "normality",
    "tolerance_factor",
    "tolerance_interval",
]

Side = Literal["two-sided", "lower", "upper"]
Method = Literal["auto", "normal", "distribution-free"]
FactorMethod = Literal["exact", "howe", "natrella"]

NORMALITY_RISK = 0.05
"""Chosen, the usual one: the risk of calling normal readings not normal."""


def tolerance_factor(
    n: int, *, coverage: float, confidence: float, sides: int = 2, method: FactorMethod = "exact"
) -> float:
    """Tell the k for which mean and k standard deviations of n normal readings hold ``coverage`` of all.

    "exact", one-sided: the noncentral t quantile; two-sided: the factor of ISO 16269-6 for unknown mean and deviation.
    The approximations that handbooks print are there to check against them: "howe" is two-sided, "natrella" one-sided
    (NIST/SEMATECH e-Handbook 7.2.6.3).

    Raises:
        ValueError: fewer than two readings, ``sides`` neither 1 nor 2, a share not between 0 and 1, or an approximation
            that has no such side or does not hold for so few readings.

    """
    size = checked_count("n", n, least=2)
    checked_confidence(confidence)
    if not 0 < coverage < 1:
        raise ValueError(f"coverage must lie between 0 and 1, both excluded, but is {coverage!r}")
    if sides not in (1, 2):
        raise ValueError(f"sides must be 1 or 2, but is {sides!r}")
    if method != "exact":
        return _approximate(size, coverage, confidence, sides, method)
    if sides == 1:
        return _one_sided(size, coverage, confidence)
    from scipy import optimize

    # Two one-sided limits, each with half of either risk, hold at least as much: too large for both sides together.
    low = 1e-6
    high = _one_sided(size, (1 + coverage) / 2, (1 + confidence) / 2) * 1.001
    return float(
        optimize.brentq(lambda k: _two_sided_confidence(k, size, coverage) - confidence, low, high, xtol=1e-12)
    )


def _approximate(n: int, coverage: float, confidence: float, sides: int, method: FactorMethod) -> float:
    """Howe, JASA 1969;64:610; Natrella, Experimental Statistics, NBS Handbook 91 (1963), 2-13."""
    if (method, sides) == ("howe", 2):
        z = normal_quantile((1 + coverage) / 2)
        return z * math.sqrt((n - 1) * (1 + 1 / n) / chi2_quantile(1 - confidence, n - 1))
    if (method, sides) == ("natrella", 1):
        z, c = normal_quantile(coverage), normal_quantile(confidence)
        a, b = 1 - c * c / (2 * (n - 1)), z * z - c * c / n
        if a <= 0 or z * z < a * b:
            raise ValueError(f"natrella's approximation does not hold for {n} readings at {confidence:.4g} confidence")
        return (z + math.sqrt(z * z - a * b)) / a
    raise ValueError(f"method must be 'exact', 'howe' (two-sided) or 'natrella' (one-sided), but is {method!r}")


def _one_sided(n: int, coverage: float, confidence: float) -> float:
    from scipy import stats

    root = math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, normal_quantile(coverage) * root)) / root


def _two_sided_confidence(k: float, n: int, coverage: float) -> float:
    """Integrate over where the mean may fall the probability that the deviation is large enough.

    Source: Odeh, Commun. Stat. Simul. 1978;7:183; Krishnamoorthy & Mathew, Statistical Tolerance Regions (2009), 2.3.
    """
    import numpy as np
    from scipy import special

    nodes, weights = np.polynomial.legendre.leggauss(24)
    edges = np.linspace(0.0, 9.0, 13)  # nine standard errors of the mean
    half = np.diff(edges)[:, None] / 2
    z = ((edges[:-1, None] + edges[1:, None]) / 2 + half * nodes).ravel()
    weight = (half * weights).ravel() * np.exp(-0.5 * z**2) * math.sqrt(2 / math.pi)
    off = z / math.sqrt(n)
    # The half width r that holds the coverage about a mean that is off: bracketed, then halved.
    low = np.full_like(off, normal_quantile((1 + coverage) / 2))
    high = off + low
    for _ in range(60):
        middle = (low + high) / 2
        enough = special.ndtr(off + middle) - special.ndtr(off - middle) >= coverage
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return float(weight @ chi2_upper_tail_of((n - 1) * high**2 / k**2, n - 1))


def distribution_free_size(*, coverage: float, confidence: float, sides: int = 2) -> int:
    """Count the fewest readings whose extremes hold ``coverage`` with ``confidence``, whatever the distribution.

    Source: Wilks, Ann. Math. Stat. 1941;12:91.
    """
    checked_confidence(confidence)
    if not 0 < coverage < 1:
        raise ValueError(f"coverage must lie between 0 and 1, both excluded, but is {coverage!r}")
    if sides not in (1, 2):
        raise ValueError(f"sides must be 1 or 2, but is {sides!r}")
    low, high = sides - 1, sides
    while _free_confidence(high, sides, coverage) < confidence:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _free_confidence(middle, sides, coverage) >= confidence else (middle, high)
    return high


def _free_confidence(n: int, left_out: int, coverage: float) -> float:
    """Tell how surely the readings less ``left_out`` blocks at the ends hold ``coverage``."""
    return binomial_cdf(n - left_out, n, coverage) if n >= left_out else 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Normality:
    """A test of normality (Shapiro and Wilk). ``p_value`` None: all readings are equal, nothing can be tested."""

    statistic: float | None
    p_value: float | None

    @property
    def is_rejected(self) -> bool:
        """Whether the readings must not be taken for normal; equal ones must not, since they hide their scatter."""
        return self.p_value is None or self.p_value < NORMALITY_RISK


def normality(readings: Iterable[float]) -> Normality:
    """Test whether readings may be taken for normal; three to five thousand of them."""
    values = finite_array("readings", readings, least=3)
    if values.size > 5000:
        raise ValueError(f"the test holds for at most 5000 readings, but there are {values.size}")
    if float(values.max() - values.min()) == 0:
        return Normality(statistic=None, p_value=None)
    from scipy import stats

    # Shifted and scaled first: the test depends on neither, its arithmetic does.
    result = stats.shapiro((values - values.mean()) / values.std())
    return Normality(statistic=float(result.statistic), p_value=float(result.pvalue))


@dataclass(frozen=True, kw_only=True, slots=True)
class ToleranceInterval:
    """Limits that hold ``coverage`` of all boards with ``confidence``; an open side is infinite.

    ``factor`` is None for a distribution-free interval. ``normality`` is the test that decided, None where the caller
    did.
    """

    low: float
    high: float
    n: int
    coverage: float
    confidence: float
    side: Side
    method: Literal["normal", "distribution-free"]
    factor: float | None
    normality: Normality | None


def tolerance_interval(
    readings: Iterable[float],
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: Side = "two-sided",
    method: Method = "auto",
) -> ToleranceInterval:
    """Bound ``coverage`` of all boards from one reading of each of a few.

    "auto" tests normality and takes the distribution-free interval where it is rejected. Readings must be of as many
    boards: repeats on one board say nothing of others.

    Raises:
        ValueError: too few readings; for a distribution-free interval it says how many are needed.

    """
    values = finite_array("readings", readings, least=2)
    if side not in ("two-sided", "lower", "upper"):
        raise ValueError(f"side must be 'two-sided', 'lower' or 'upper', but is {side!r}")
    if method not in ("auto", "normal", "distribution-free"):
        raise ValueError(f"method must be 'auto', 'normal' or 'distribution-free', but is {method!r}")
    sides = 2 if side == "two-sided" else 1
    tested = normality(values) if method == "auto" and values.size >= 3 else None
    is_free = method == "distribution-free" or (tested is not None and tested.is_rejected)
    factor = None
    if is_free:
        low, high = _free_limits(sorted(float(v) for v in values), sides, coverage, confidence)
    else:
        factor = tolerance_factor(values.size, coverage=coverage, confidence=confidence, sides=sides)
        mean, reach = float(values.mean()), factor * float(values.std(ddof=1))
        low, high = mean - reach, mean + reach
    return ToleranceInterval(
        low=-math.inf if side == "upper" else low,
        high=math.inf if side == "lower" else high,
        n=int(values.size),
        coverage=coverage,
        confidence=confidence,
        side=side,
        method="distribution-free" if is_free else "normal",
        factor=factor,
        normality=tested,
    )


def _free_limits(ordered: list[float], sides: int, coverage: float, confidence: float) -> tuple[float, float]:
    """Leave out as many of the extremes as the confidence allows."""
    needed = distribution_free_size(coverage=coverage, confidence=confidence, sides=sides)
    n = len(ordered)
    if n < needed:
        raise ValueError(
            f"{n} readings are too few for {coverage:.4g} at {confidence:.4g} confidence without a distribution: "
            f"{needed} are needed"
        )
    left_out = sides
    while _free_confidence(n, left_out + 1, coverage) >= confidence:
        left_out += 1
    below = left_out // 2 if sides == 2 else left_out
    above = left_out - below if sides == 2 else left_out
    return ordered[below - 1], ordered[n - above]
