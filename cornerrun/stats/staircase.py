"""Thresholds without a curve: up-and-down sequences, and Spearman and Karber's mean of a threshold."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from cornerrun.stats.distributions import normal_quantile
from cornerrun.stats.interval import Interval, checked_confidence, checked_count, finite_array

__all__ = ["SpearmanKarber", "UpAndDown", "dixon_mood", "spearman_karber"]


@dataclass(frozen=True, kw_only=True, slots=True)
class UpAndDown:
    """What an up-and-down sequence shows: ``mean`` of the threshold and its ``standard_deviation``.

    The rarer outcome is counted, ``counted`` times. ``ratio`` above 0.3 is needed for the deviation, which is None
    below it; from few readings it is rough at best.
    """

    mean: float
    standard_deviation: float | None
    ratio: float
    counted: int
    step: float


def dixon_mood(levels: Iterable[float], responded: Iterable[bool]) -> UpAndDown:
    """Evaluate a sequence whose level went one step down after each response (failure), and up after each other.

    Source: Dixon & Mood, J. Am. Stat. Assoc. 1948;43:109, as given with s = 1.62 d ((NB - A^2)/N^2 + 0.029). Copies
    that report another mean for the sequence "951" use another estimator.

    Raises:
        ValueError: unequal lengths, levels that are not equally spaced or do not follow the rule, or one outcome only.

    """
    x = [float(value) for value in finite_array("levels", levels, least=2)]
    outcomes = [bool(item) for item in responded]
    if len(x) != len(outcomes):
        raise ValueError("each level needs its outcome")
    step = min((abs(b - a) for a, b in pairwise(x)), default=0.0)
    if step == 0:
        raise ValueError("every trial of an up-and-down sequence changes the level by one step")
    for (a, has_responded), b in zip(zip(x, outcomes, strict=True), x[1:], strict=False):
        if abs(b - a - (-step if has_responded else step)) > 1e-6 * step:
            raise ValueError(f"after {a:g} the level should have gone one step {'down' if has_responded else 'up'}")
    responses = sum(outcomes)
    if responses in (0, len(outcomes)):
        raise ValueError("all outcomes are alike: the sequence has not met the threshold")
    # The source counts responses where both outcomes are equally frequent.
    is_response = responses <= len(outcomes) - responses
    counted = [value for value, has_responded in zip(x, outcomes, strict=True) if has_responded == is_response]
    lowest = min(counted)
    steps = [round((value - lowest) / step) for value in counted]
    n, a, b = len(steps), sum(steps), sum(i * i for i in steps)
    ratio = (n * b - a * a) / (n * n)
    return UpAndDown(
        mean=lowest + step * (a / n + (-0.5 if is_response else 0.5)),
        standard_deviation=1.62 * step * (ratio + 0.029) if ratio > 0.3 else None,
        ratio=ratio,
        counted=n,
        step=step,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class SpearmanKarber:
    """The mean threshold without a curve. ``interval`` is None where shares were trimmed."""

    mean: float
    standard_error: float | None
    interval: Interval | None
    trim: float


def spearman_karber(
    levels: Iterable[float],
    failures: Iterable[float],
    trials: Iterable[float],
    *,
    trim: float = 0.0,
    confidence: float = 0.95,
) -> SpearmanKarber:
    """Estimate the mean threshold from the shares that failed at rising levels, made monotone first.

    ``trim`` leaves out that share at both ends: needed where the lowest level fails already, or the highest still
    passes. For doses, and whatever else acts by ratios, give logarithms of the levels.

    Source: Hamilton, Russo & Thurston, Environ. Sci. Technol. 1977;11:714.

    Raises:
        ValueError: levels that do not rise, counts that do not fit, ``trim`` not in 0 to 0.5, or shares that do not
            reach from ``trim`` to 1 - ``trim``.

    """
    x = [float(value) for value in finite_array("levels", levels, least=2)]
    f = [checked_count("failures", value) for value in failures]
    n = [checked_count("trials", value, least=1) for value in trials]
    if not len(x) == len(f) == len(n):
        raise ValueError("each level needs its failures and its trials")
    if any(b <= a for a, b in pairwise(x)):
        raise ValueError("levels must rise")
    if any(a > b for a, b in zip(f, n, strict=True)):
        raise ValueError("failures must not exceed trials")
    if not 0 <= trim < 0.5:
        raise ValueError(f"trim must lie in 0 to 0.5, 0.5 excluded, but is {trim!r}")
    checked_confidence(confidence)
    shares = _monotone(f, n)
    if shares[0] > trim or shares[-1] < 1 - trim:
        raise ValueError(
            f"shares reach from {shares[0]:.3g} to {shares[-1]:.3g} only: add levels, or trim at least "
            f"{max(shares[0], 1 - shares[-1]):.3g}"
        )
    mean = 0.0
    for (a, p), (b, q) in pairwise(_trimmed(x, shares, trim)):
        mean += (q - p) / (1 - 2 * trim) * (a + b) / 2
    if trim > 0:
        return SpearmanKarber(mean=mean, standard_error=None, interval=None, trim=trim)
    variance = sum(shares[i] * (1 - shares[i]) / n[i] * ((x[i + 1] - x[i - 1]) / 2) ** 2 for i in range(1, len(x) - 1))
    error = math.sqrt(variance)
    reach = normal_quantile(0.5 + confidence / 2) * error
    interval = Interval(
        estimate=mean, low=mean - reach, high=mean + reach, confidence=confidence, method="spearman-karber"
    )
    return SpearmanKarber(mean=mean, standard_error=error, interval=interval, trim=trim)


def _monotone(failures: list[int], trials: list[int]) -> list[float]:
    """Pool neighbours whose shares fall (Ayer et al., Ann. Math. Stat. 1955;26:641)."""
    blocks: list[list[int]] = []
    for f, n in zip(failures, trials, strict=True):
        blocks.append([f, n, 1])
        while len(blocks) > 1 and blocks[-2][0] * blocks[-1][1] > blocks[-1][0] * blocks[-2][1]:
            last = blocks.pop()
            blocks[-1] = [a + b for a, b in zip(blocks[-1], last, strict=True)]
    return [f / n for f, n, count in blocks for _ in range(count)]


def _trimmed(x: list[float], shares: list[float], trim: float) -> list[tuple[float, float]]:
    """Cut the curve at ``trim`` and 1 - ``trim``, where it is met by interpolation."""
    low, high = trim, 1 - trim
    start = max(i for i, p in enumerate(shares) if p <= low)
    end = min(i for i, p in enumerate(shares) if p >= high)
    points = [(a, p) for a, p in zip(x, shares, strict=True) if low < p < high]

    def cut(i: int, p: float) -> tuple[float, float]:
        a, b, q, r = x[i], x[i + 1], shares[i], shares[i + 1]
        return (a + (p - q) / (r - q) * (b - a), p)

    first = (x[start], low) if shares[start] == low or start == len(x) - 1 else cut(start, low)
    last = (x[end], high) if shares[end] == high or end == 0 else cut(end - 1, high)
    return [first, *points, last]
