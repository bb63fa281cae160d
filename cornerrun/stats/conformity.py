"""Whether a measured quantity meets its limits, and what wrong decisions cost.

Source: JCGM 106:2012; decision rules in the words of ILAC-G8:09/2019.
"""

import math
from dataclasses import dataclass

from cornerrun.stats.distributions import normal_cdf, normal_quantile

__all__ = [
    "GlobalRisk",
    "conformance_probability",
    "global_risk",
    "guard_band_for_risk",
    "managed_risk_ratio",
    "root_sum_square_ratio",
]


def conformance_probability(
    estimate: float, standard_uncertainty: float, *, lower: float | None = None, upper: float | None = None
) -> float:
    """Tell how probably the true value lies within the limits, both inclusive (JCGM 106:2012, 7.2 to 7.4).

    The value is taken as normal about its estimate. Without uncertainty the answer is 0 or 1.

    Raises:
        ValueError: no limit is given, they are crossed, or the uncertainty is negative or not finite.

    """
    if lower is None and upper is None:
        raise ValueError("give a lower limit, an upper limit, or both")
    _check_limits(lower, upper)
    if not math.isfinite(estimate):
        raise ValueError(f"an estimate must be finite, but is {estimate!r}")
    if not 0 <= standard_uncertainty < math.inf:
        raise ValueError(f"a standard uncertainty is finite and not negative, but is {standard_uncertainty!r}")
    if standard_uncertainty == 0:
        return float((lower is None or estimate >= lower) and (upper is None or estimate <= upper))
    below = 0.0 if lower is None else normal_cdf((lower - estimate) / standard_uncertainty)
    above = 0.0 if upper is None else normal_cdf((estimate - upper) / standard_uncertainty)
    return max(0.0, 1.0 - below - above)


def _check_limits(lower: float | None, upper: float | None) -> None:
    if (lower is not None and math.isnan(lower)) or (upper is not None and math.isnan(upper)):
        raise ValueError("a limit must be a number")
    if lower is not None and upper is not None and lower > upper:
        raise ValueError(f"the lower limit {lower!r} lies above the upper limit {upper!r}")


def guard_band_for_risk(standard_uncertainty: float, *, risk: float = 0.025) -> float:
    """Tell the distance from a limit at which a reading just there is wrong with probability ``risk``.

    A risk of 0.025 is nearly the rule w = U (k = 2); 0.5 is simple acceptance, no guard band.
    """
    if not 0 < risk <= 0.5:
        raise ValueError(f"risk must lie above 0 and not above 0.5, but is {risk!r}")
    if not 0 <= standard_uncertainty < math.inf:
        raise ValueError(f"a standard uncertainty is finite and not negative, but is {standard_uncertainty!r}")
    return -normal_quantile(risk) * standard_uncertainty


def managed_risk_ratio(test_uncertainty_ratio: float) -> float:
    """Tell acceptance limit over tolerance limit that keeps false acceptance at or below 2 %, at any process.

    ``test_uncertainty_ratio`` is half the tolerance over U (k = 2). 1 where no guard band is needed.

    Source: Dobbert, managed risk for ANSI/NCSL Z540.3: M = 1.04 - exp(0.38 ln TUR - 0.54); from memory.
    """
    ratio = _checked_ratio(test_uncertainty_ratio)
    shrink = 1.04 - math.exp(0.38 * math.log(ratio) - 0.54)
    return min(1.0, max(0.0, 1.0 - shrink / ratio))


def root_sum_square_ratio(test_uncertainty_ratio: float) -> float:
    """Tell acceptance limit over tolerance limit by sqrt(1 - 1/TUR^2); 0 at and below a ratio of 1."""
    ratio = _checked_ratio(test_uncertainty_ratio)
    return math.sqrt(1.0 - 1.0 / ratio**2) if ratio > 1 else 0.0


def _checked_ratio(ratio: float) -> float:
    if not 0 < ratio < math.inf:
        raise ValueError(f"a test uncertainty ratio is positive and finite, but is {ratio!r}")
    return ratio


@dataclass(frozen=True, kw_only=True, slots=True)
class GlobalRisk:
    """What a decision rule costs over a whole process.

    ``false_accept`` (consumer's risk) and ``false_reject`` (producer's risk) are shares of everything tested;
    ``in_tolerance`` is the share of the process within its limits, ``accepted`` the share accepted.
    """

    false_accept: float
    false_reject: float
    in_tolerance: float

    @property
    def accepted(self) -> float:
        """The share accepted, rightly or wrongly."""
        return self.in_tolerance - self.false_reject + self.false_accept

    @property
    def false_accept_given_accepted(self) -> float | None:
        """The share of the accepted that lies outside; None if nothing is accepted."""
        return self.false_accept / self.accepted if self.accepted > 0 else None


def global_risk(
    process_standard_deviation: float,
    measurement_standard_deviation: float,
    *,
    lower: float,
    upper: float,
    guard_band: float = 0.0,
    process_mean: float | None = None,
) -> GlobalRisk:
    """Tell the shares of false decisions of a normal process that is measured with a normal error.

    A reading is accepted if it lies within the limits drawn in by ``guard_band`` on each side (a negative one widens
    them); if the band leaves nothing, all is rejected. The process is centred between the limits unless
    ``process_mean`` says otherwise; then one limit may be infinite.

    Source: JCGM 106:2012, 9.5.
    """
    process, measurement = process_standard_deviation, measurement_standard_deviation
    if not 0 < process < math.inf or not 0 <= measurement < math.inf:
        raise ValueError("standard deviations are finite, the process's positive, the measurement's not negative")
    _check_limits(lower, upper)
    mean = (lower + upper) / 2 if process_mean is None else process_mean
    if not math.isfinite(mean) or not math.isfinite(guard_band):
        raise ValueError("the process mean and the guard band must be finite; one-sided limits need a process_mean")
    accept_low, accept_high = lower + guard_band, upper - guard_band
    in_tolerance = conformance_probability(mean, process, lower=lower, upper=upper)
    if accept_low > accept_high:
        return GlobalRisk(false_accept=0.0, false_reject=in_tolerance, in_tolerance=in_tolerance)
    tail = _Tail(mean=mean, process=process, measurement=measurement, low=accept_low, high=accept_high)
    inside = tail.accepted(lower, upper)
    outside = tail.accepted(-math.inf, lower) + tail.accepted(upper, math.inf)
    return GlobalRisk(false_accept=outside, false_reject=max(0.0, in_tolerance - inside), in_tolerance=in_tolerance)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Tail:
    """How much of a stretch of true values is accepted."""

    mean: float
    process: float
    measurement: float
    low: float
    high: float

    def accepted(self, start: float, end: float) -> float:
        """Integrate over true values from start to end."""
        import numpy as np
        from scipy import special

        reach = 10.0  # standard deviations; what lies beyond weighs 1e-23
        start = max(start, self.mean - reach * self.process)
        end = min(end, self.mean + reach * self.process)
        if start >= end:
            return 0.0
        if self.measurement == 0:
            start, end = max(start, self.low), min(end, self.high)
            if start >= end:
                return 0.0
            return normal_cdf((end - self.mean) / self.process) - normal_cdf((start - self.mean) / self.process)
        # Both the process's bell and each acceptance edge get panels of their own width: Gauss's rule is then exact
        # to rounding, however far apart the two widths lie.
        steps = np.arange(-reach, reach + 0.25, 0.5)
        cuts = [self.mean + steps * self.process]
        cuts += [edge + steps * self.measurement for edge in (self.low, self.high) if math.isfinite(edge)]
        edges = np.unique(np.clip(np.concatenate(cuts), start, end))
        edges = np.union1d(edges, [start, end])
        nodes, weights = np.polynomial.legendre.leggauss(12)
        half = np.diff(edges)[:, None] / 2
        x = (edges[:-1, None] + edges[1:, None]) / 2 + half * nodes
        z = (x - self.mean) / self.process
        bell = np.exp(-0.5 * z**2) / (self.process * math.sqrt(2 * math.pi))
        taken = special.ndtr((self.high - x) / self.measurement) - special.ndtr((self.low - x) / self.measurement)
        return float(np.sum(bell * taken * half * weights))
