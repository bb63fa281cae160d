"""The setpoints of a trim estimate, and whether a claimed accuracy is met at all of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from cornerrun.stats.distributions import t_cdf
from cornerrun.stats.uncertainty import Budget

__all__ = ["ClaimDecision", "TrimPoint", "Verdict", "decide_claim"]

Verdict = Literal["met", "not met", "open"]


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimPoint:
    """One setpoint: the mean trim error there, in volts, and the budget of that mean."""

    setpoint_v: float
    n: int
    mean_error_v: float
    largest_error_v: float
    budget: Budget
    expanded_v: float

    @property
    def mean_error_ratio(self) -> float:
        """The mean trim error as a share of the setpoint."""
        return self.mean_error_v / abs(self.setpoint_v)


@dataclass(frozen=True, kw_only=True, slots=True)
class ClaimDecision:
    """Whether a claimed accuracy is met with the expanded uncertainty counted against it.

    ``met``: at every setpoint the mean error and its expanded uncertainty stay within the claim. ``not met``: at some
    setpoint the error less its uncertainty lies beyond. ``open``: neither. ``probability`` is the least, over the
    setpoints, that the mean error lies within the claim; None where scatter is not known.
    """

    claim_ratio: float
    verdict: Verdict
    probability: float | None
    why: str


def decide_claim(points: Sequence[TrimPoint], claim_ratio: float, *, knows_scatter: bool) -> ClaimDecision:
    """Decide a claim, a share of the setpoint; without known scatter it can be refuted but not met."""
    beyond = [p for p in points if abs(p.mean_error_v) - p.expanded_v > claim_ratio * abs(p.setpoint_v)]
    unsure = [p for p in points if abs(p.mean_error_v) + p.expanded_v > claim_ratio * abs(p.setpoint_v)]
    probability = min(_within(p, claim_ratio) for p in points) if knows_scatter else None
    if beyond:
        verdict: Verdict = "not met"
        why = f"at {len(beyond)} of {len(points)} setpoints the error exceeds the claim by more than its uncertainty"
    elif not knows_scatter:
        verdict, why = "open", "too few readings to know the scatter: repeat setpoints"
    elif unsure:
        verdict = "open"
        why = f"at {len(unsure)} of {len(points)} setpoints the claim lies within the uncertainty of the error"
    else:
        verdict, why = "met", f"error and uncertainty stay within the claim at all {len(points)} setpoints"
    return ClaimDecision(claim_ratio=claim_ratio, verdict=verdict, probability=probability, why=why)


def _within(point: TrimPoint, claim_ratio: float) -> float:
    """Tell how probably the mean error lies within the claim, by t with the budget's degrees of freedom."""
    limit, uncertainty = claim_ratio * abs(point.setpoint_v), point.budget.combined
    if uncertainty == 0:
        return float(abs(point.mean_error_v) <= limit)
    degrees = point.budget.effective_degrees_of_freedom
    below = t_cdf((-limit - point.mean_error_v) / uncertainty, degrees)
    above = t_cdf((point.mean_error_v - limit) / uncertainty, degrees)
    return max(0.0, 1.0 - below - above)
