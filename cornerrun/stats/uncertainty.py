"""Uncertainty of measurement: components, budget, expanded uncertainty.

Source: JCGM 100:2008 (GUM). `meter` makes a component of a meter's specification, `monte_carlo` propagates what is
not linear.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cornerrun.stats.distributions import t_quantile
from cornerrun.stats.interval import checked_confidence

__all__ = ["Budget", "Component", "rectangular"]


def rectangular(half_width: float) -> float:
    """Turn limits of plus and minus ``half_width`` into a standard uncertainty (JCGM 100:2008, 4.3.7)."""
    if not math.isfinite(half_width) or half_width < 0:
        raise ValueError(f"a half width is finite and not negative, but is {half_width!r}")
    return half_width / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty.

    ``standard_uncertainty`` is in the unit of the input; ``sensitivity`` is how much the result changes with it.
    Infinite ``degrees_of_freedom`` mean that the uncertainty itself is well known (a specification).
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    sensitivity: float = 1.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.standard_uncertainty) or self.standard_uncertainty < 0:
            raise ValueError(f"{self.name}: a standard uncertainty is finite and not negative")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom must be positive")
        if not math.isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: a sensitivity must be finite")

    @property
    def contribution(self) -> float:
        """The standard uncertainty that it brings to the result, in the unit of the result."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Budget:
    """The components of one result; ``correlations`` goes by pairs of names, and pairs left out have none."""

    components: tuple[Component, ...]
    correlations: Mapping[tuple[str, str], float]

    def __init__(
        self, components: Iterable[Component], *, correlations: Mapping[tuple[str, str], float] | None = None
    ) -> None:
        object.__setattr__(self, "components", tuple(components))
        object.__setattr__(self, "correlations", dict(correlations or {}))
        if not self.components:
            raise ValueError("a budget needs at least one component")
        names = [component.name for component in self.components]
        if self.correlations and len(set(names)) < len(names):
            raise ValueError("components that correlate need names of their own")
        for (one, other), r in self.correlations.items():
            if one not in names or other not in names or one == other:
                raise ValueError(f"correlation of {one!r} and {other!r}: not two components of this budget")
            if not -1.0 <= r <= 1.0:
                raise ValueError(f"correlation of {one!r} and {other!r} must lie between -1 and 1, but is {r!r}")

    @property
    def combined(self) -> float:
        """The combined standard uncertainty (JCGM 100:2008, equations 10 and 16)."""
        # Sorted, so that the order of the components changes no bit.
        variance = math.fsum(component.contribution**2 for component in self.components)
        signed = {c.name: c.sensitivity * c.standard_uncertainty for c in self.components}
        variance += 2 * math.fsum(r * signed[one] * signed[other] for (one, other), r in self.correlations.items())
        return math.sqrt(max(0.0, variance))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """The degrees of freedom of `combined` by Welch and Satterthwaite (JCGM 100:2008, G.2b).

        That formula needs uncorrelated components; with correlations, the least of the components' own is taken:
        chosen, since it errs on the wide side.
        """
        if self.correlations:
            return min(c.degrees_of_freedom for c in self.components if c.contribution > 0 or len(self.components) == 1)
        combined = self.combined
        if combined == 0:
            return math.inf
        # Shares of the whole, so that tiny uncertainties do not underflow at the fourth power.
        spread = math.fsum((c.contribution / combined) ** 4 / c.degrees_of_freedom for c in self.components)
        return 1.0 / spread if spread > 0 else math.inf

    def coverage_factor(self, confidence: float = 0.95) -> float:
        """Tell the factor between `combined` and `expanded`.

        From t with the effective degrees of freedom, rounded to the one decimal that the GUM prints and then cut to
        the next lower whole number (JCGM 100:2008, G.4.1); at least 1.
        """
        degrees = self.effective_degrees_of_freedom
        if math.isfinite(degrees):
            degrees = max(1.0, math.floor(round(degrees, 1)))
        return t_quantile(0.5 + checked_confidence(confidence) / 2, degrees)

    def expanded(self, confidence: float = 0.95) -> float:
        """Tell the expanded uncertainty: the half width of the interval that holds the value with ``confidence``."""
        return self.coverage_factor(confidence) * self.combined
