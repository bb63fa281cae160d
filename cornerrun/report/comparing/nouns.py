"""The nouns of comparisons. ``a`` is the run before, ``b`` the run after; every difference is b less a."""

from dataclasses import dataclass
from typing import Literal

from cornerrun.report.summary_model import Summary
from cornerrun.results.records import Outcome
from cornerrun.stats.interval import Interval

__all__ = ["Change", "CheckChange", "CornerChange", "Difference", "MarginChange", "RunComparison", "TrimChange"]

Change = Literal["worse", "better", "no difference shown", "not comparable"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """Something about the two runs themselves that is not the same."""

    what: str
    a: str
    b: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerChange:
    """One corner; None where a run does not have it. ``change`` says whether its outcome went to or from a failure."""

    corner: str
    a: Outcome | None
    b: Outcome | None
    passed_a: int
    visits_a: int
    passed_b: int
    visits_b: int
    change: Change


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckChange:
    """One check at one corner that both runs tried.

    ``difference`` is of the shares of trials that passed, b less a (Newcombe); ``p_value`` is Fisher's, ``holm`` and
    ``benjamini_hochberg`` are adjusted for all checks at corners of the comparison.
    """

    check: str
    corner: str
    failed_a: int
    trials_a: int
    failed_b: int
    trials_b: int
    difference: Interval
    p_value: float
    holm: float
    benjamini_hochberg: float
    change: Change


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimChange:
    """The mean trim error of one rail at one level, as a share of the set-point; ``difference`` by Welch.

    ``meters`` is what the meters leave open between the two runs: root-sum-square of both expanded uncertainties where
    they are two, 0 where it is one and the same. A difference counts only beyond it. ``detectable`` is the difference
    that these readings would have shown with 90 % probability.
    """

    rail: str
    level: str
    mean_a: float
    n_a: int
    mean_b: float
    n_b: int
    difference: Interval
    p_value: float | None
    holm: float | None
    benjamini_hochberg: float | None
    detectable: float | None
    meters: float
    change: Change


@dataclass(frozen=True, kw_only=True, slots=True)
class MarginChange:
    """The smallest distance of one rail to a limit in both runs, in volts; told, not tested: each is one reading."""

    rail: str
    limit: str
    distance_a_v: float
    corner_a: str
    distance_b_v: float
    corner_b: str


@dataclass(frozen=True, kw_only=True, slots=True)
class RunComparison:
    """Two runs beside each other, what got worse first in every table."""

    a: Summary
    b: Summary
    differences: tuple[Difference, ...]
    cautions: tuple[str, ...]
    corners: tuple[CornerChange, ...]
    checks: tuple[CheckChange, ...]
    trim: tuple[TrimChange, ...]
    margins: tuple[MarginChange, ...]

    @property
    def worse(self) -> tuple[str, ...]:
        """What got worse, in words."""
        found = [
            f"corner {item.corner}: {'not run' if item.a is None else item.a} before, "
            f"{'not run' if item.b is None else item.b} now"
            for item in self.corners
            if item.change == "worse"
        ]
        found += [f"{item.check} at {item.corner}" for item in self.checks if item.change == "worse"]
        return (*found, *(f"trim of {item.rail} at {item.level}" for item in self.trim if item.change == "worse"))
