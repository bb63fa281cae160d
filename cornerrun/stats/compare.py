"""Two board revisions, or two runs, beside each other: differences with intervals, and what could not have been seen.

"No significant difference" of a few boards is no evidence that there is none: the detectable difference says so, and
`compare_means` can claim equivalence only against a margin that was set beforehand.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cornerrun.stats.contingency import fisher_p_value
from cornerrun.stats.distributions import t_cdf, t_quantile
from cornerrun.stats.interval import Interval, checked_confidence, checked_count, finite_array
from cornerrun.stats.multiple import benjamini_hochberg, holm
from cornerrun.stats.proportions import difference_interval

__all__ = [
    "Comparison",
    "Equivalence",
    "MeanComparison",
    "ShareComparison",
    "compare_means",
    "compare_rails",
    "compare_shares",
    "detectable_difference",
    "equivalence",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShareComparison:
    """Two shares of boards: the difference a - b by Newcombe, Fisher's exact test, and what would have been seen."""

    difference: Interval
    p_value: float
    n_a: int
    n_b: int


def compare_shares(
    passed_a: float, n_a: float, passed_b: float, n_b: float, *, confidence: float = 0.95
) -> ShareComparison:
    """Compare two shares of boards that passed."""
    difference = difference_interval(passed_a, n_a, passed_b, n_b, confidence=confidence)
    a, m = checked_count("passed_a", passed_a), checked_count("n_a", n_a)
    b, n = checked_count("passed_b", passed_b), checked_count("n_b", n_b)
    return ShareComparison(difference=difference, p_value=fisher_p_value([[a, m - a], [b, n - b]]), n_a=m, n_b=n)


@dataclass(frozen=True, kw_only=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin: equivalent if the (1 - 2 risk) interval lies within plus and minus it."""

    margin: float
    p_value: float
    interval: Interval
    is_equivalent: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class MeanComparison:
    """Two means: the difference a - b by Welch, its test, and the difference that would have been found.

    ``detectable`` is the true difference that this comparison finds with probability ``power``.
    """

    difference: Interval
    statistic: float | None
    degrees_of_freedom: float | None
    p_value: float | None
    n_a: int
    n_b: int
    detectable: float | None
    power: float
    equivalence: Equivalence | None


def compare_means(
    readings_a: Iterable[float],
    readings_b: Iterable[float],
    *,
    margin: float | None = None,
    confidence: float = 0.95,
    power: float = 0.9,
) -> MeanComparison:
    """Compare the means of two groups of boards, one reading a board; their scatter may differ (Welch).

    With ``margin``, also test that they differ by less (TOST; Schuirmann, J. Pharmacokinet. Biopharm. 1987;15:657).
    Where neither group scatters, there is no test: statistic, degrees of freedom and p-value are None.

    Raises:
        ValueError: fewer than two readings in a group, or a margin that is not positive.

    """
    a, b = finite_array("readings_a", readings_a, least=2), finite_array("readings_b", readings_b, least=2)
    checked_confidence(confidence)
    if not 0 < power < 1:
        raise ValueError(f"power must lie between 0 and 1, but is {power!r}")
    va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
    difference, error = float(a.mean() - b.mean()), math.sqrt(va + vb)
    if error == 0:
        exact = Interval(estimate=difference, low=difference, high=difference, confidence=confidence, method="welch")
        return MeanComparison(
            difference=exact,
            statistic=None,
            degrees_of_freedom=None,
            p_value=None,
            n_a=int(a.size),
            n_b=int(b.size),
            detectable=None,
            power=power,
            equivalence=None,
        )
    degrees = 1 / ((va / error**2) ** 2 / (a.size - 1) + (vb / error**2) ** 2 / (b.size - 1))
    statistic = difference / error
    reach = t_quantile(0.5 + confidence / 2, degrees) * error
    return MeanComparison(
        difference=Interval(
            estimate=difference,
            low=difference - reach,
            high=difference + reach,
            confidence=confidence,
            method="welch",
        ),
        statistic=statistic,
        degrees_of_freedom=degrees,
        p_value=2 * t_cdf(-abs(statistic), degrees),
        n_a=int(a.size),
        n_b=int(b.size),
        detectable=(t_quantile(0.5 + confidence / 2, degrees) + t_quantile(power, degrees)) * error,
        power=power,
        equivalence=None if margin is None else equivalence(difference, error, degrees, margin, risk=1 - confidence),
    )


def equivalence(
    difference: float, standard_error: float, degrees_of_freedom: float, margin: float, *, risk: float = 0.05
) -> Equivalence:
    """Test that a true difference lies within plus and minus ``margin``; the p-value is the larger of the two."""
    if not margin > 0 or not standard_error > 0 or not 0 < risk < 0.5:
        raise ValueError("margin and standard error are positive, and risk lies between 0 and 0.5")
    above = t_cdf((difference - margin) / standard_error, degrees_of_freedom)
    below = t_cdf(-(difference + margin) / standard_error, degrees_of_freedom)
    reach = t_quantile(1 - risk, degrees_of_freedom) * standard_error
    p_value = max(above, below)
    return Equivalence(
        margin=margin,
        p_value=p_value,
        interval=Interval(
            estimate=difference,
            low=difference - reach,
            high=difference + reach,
            confidence=1 - 2 * risk,
            method="tost",
        ),
        is_equivalent=p_value < risk,
    )


def detectable_difference(
    standard_deviation: float, n_a: int, n_b: int, *, confidence: float = 0.95, power: float = 0.9
) -> float:
    """Tell, before boards are built, the difference of means that so many boards will find with ``power``.

    From t, and so a little small for three boards; for planning.
    """
    first, second = checked_count("n_a", n_a, least=2), checked_count("n_b", n_b, least=2)
    if not 0 < standard_deviation < math.inf or not 0 < power < 1:
        raise ValueError("the standard deviation is positive and finite, and power lies between 0 and 1")
    degrees = first + second - 2
    factor = t_quantile(0.5 + checked_confidence(confidence) / 2, degrees) + t_quantile(power, degrees)
    return factor * standard_deviation * math.sqrt(1 / first + 1 / second)


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """One rail of a comparison over many, its p-value adjusted for their number (None where there is no test)."""

    rail: str
    means: MeanComparison
    holm: float | None
    benjamini_hochberg: float | None


def compare_rails(
    readings_a: Mapping[str, Iterable[float]],
    readings_b: Mapping[str, Iterable[float]],
    *,
    margins: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> tuple[Comparison, ...]:
    """Compare the mean of every rail that both have, in the order of ``readings_a``, adjusted for their number."""
    rails = [rail for rail in readings_a if rail in readings_b]
    means = {
        rail: compare_means(readings_a[rail], readings_b[rail], margin=(margins or {}).get(rail), confidence=confidence)
        for rail in rails
    }
    tested = [rail for rail in rails if means[rail].p_value is not None]
    p_values = [means[rail].p_value or 0.0 for rail in tested]
    strict, mild = (
        dict(zip(tested, holm(p_values), strict=True)),
        dict(zip(tested, benjamini_hochberg(p_values), strict=True)),
    )
    return tuple(
        Comparison(rail=rail, means=means[rail], holm=strict.get(rail), benjamini_hochberg=mild.get(rail))
        for rail in rails
    )
