"""Margins to failure, of which some are only known to be larger than what was tested (right-censored)."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from cornerrun.stats.distributions import chi2_upper_tail, normal_quantile
from cornerrun.stats.interval import Interval, checked_confidence, finite_array

__all__ = ["LogRank", "MedianMargin", "log_rank", "median_margin"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MedianMargin:
    """The margin that half of the boards reach, by Kaplan and Meier; None where more than half were censored.

    ``interval`` has an infinite high end, or is None, where the data leave it open.
    """

    median: float | None
    interval: Interval | None
    n: int
    censored: int


@dataclass(frozen=True, kw_only=True, slots=True)
class LogRank:
    """Test that two groups fail alike. ``statistic`` is chi-square with one degree of freedom; None: no failure."""

    statistic: float | None
    p_value: float
    observed_a: int
    expected_a: float


def _checked(margins: Iterable[float], reached: Iterable[bool]) -> list[tuple[float, bool]]:
    values = finite_array("margins", margins, least=1)
    failed = [bool(item) for item in reached]
    if len(failed) != values.size:
        raise ValueError("each margin needs to be told whether the board failed there")
    if bool((values < 0).any()):
        raise ValueError("a margin is a distance from nominal and not negative")
    return sorted(zip((float(v) for v in values), failed, strict=True))


def median_margin(margins: Iterable[float], failed: Iterable[bool], *, confidence: float = 0.95) -> MedianMargin:
    """Estimate the median margin to failure; ``failed`` False marks a board that was still good there.

    The interval holds where the survival may be one half (Brookmeyer & Crowley, Biometrics 1982;38:29), with
    Greenwood's variance on the log-log scale.
    """
    z = normal_quantile(0.5 + checked_confidence(confidence) / 2)
    rows = _checked(margins, failed)
    survival, greenwood = 1.0, 0.0
    median: float | None = None
    low: float | None = None
    high = math.inf
    held: list[tuple[float, float, float]] = []
    for margin in dict.fromkeys(value for value, has_failed in rows if has_failed):
        at_risk = sum(value >= margin for value, _ in rows)
        deaths = sum(value == margin and has_failed for value, has_failed in rows)  # the same stored step of a plan
        survival *= 1 - deaths / at_risk
        greenwood = greenwood + deaths / (at_risk * (at_risk - deaths)) if at_risk > deaths else math.inf
        held.append((margin, survival, greenwood))
        if median is None and survival <= 0.5:
            median = margin
    for margin, share, variance in held:
        lower, upper = _log_log(share, variance, z)
        if low is None and lower <= 0.5:
            low = margin
        if math.isinf(high) and upper <= 0.5:
            high = margin
    interval = None
    if low is not None:
        interval = Interval(estimate=median, low=low, high=high, confidence=confidence, method="log-log")
    return MedianMargin(
        median=median, interval=interval, n=len(rows), censored=sum(not has_failed for _, has_failed in rows)
    )


def _log_log(share: float, variance: float, z: float) -> tuple[float, float]:
    if share <= 0:
        return 0.0, 0.0
    reach = math.exp(z * math.sqrt(variance) / abs(math.log(share)))
    return share**reach, share ** (1 / reach)


def log_rank(
    margins_a: Iterable[float], failed_a: Iterable[bool], margins_b: Iterable[float], failed_b: Iterable[bool]
) -> LogRank:
    """Test whether two groups of boards fail at different margins (Mantel, Cancer Chemother. Rep. 1966;50:163)."""
    a, b = _checked(margins_a, failed_a), _checked(margins_b, failed_b)
    expected = variance = 0.0
    for margin in sorted({value for value, has_failed in (*a, *b) if has_failed}):
        risk_a, risk_b = sum(v >= margin for v, _ in a), sum(v >= margin for v, _ in b)
        deaths = sum(v == margin and has_failed for v, has_failed in (*a, *b))
        n = risk_a + risk_b
        expected += deaths * risk_a / n
        if n > 1:
            variance += deaths * risk_a * risk_b * (n - deaths) / (n * n * (n - 1))
    observed = sum(has_failed for _, has_failed in a)
    if variance == 0:
        return LogRank(statistic=None, p_value=1.0, observed_a=observed, expected_a=expected)
    statistic = (observed - expected) ** 2 / variance
    return LogRank(statistic=statistic, p_value=chi2_upper_tail(statistic, 1), observed_a=observed, expected_a=expected)
