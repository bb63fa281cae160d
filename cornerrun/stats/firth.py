"""Logistic regression that stays finite where factors separate failures from passes completely.

Source: Firth, Biometrika 1993;80:27; Heinze & Schemper, Stat. Med. 2002;21:2409 for profile intervals and tests.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cornerrun.stats.distributions import chi2_quantile, chi2_upper_tail
from cornerrun.stats.interval import Interval, checked_confidence

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["FirthFit", "firth_logistic"]

_STEPS = 200
_LARGEST_STEP = 2.0  # chosen: in log-odds; longer steps overshoot where the data separate
_DONE = 1e-10
_ROUNDING = 1e-13


@dataclass(frozen=True, kw_only=True, slots=True)
class FirthFit:
    """Log-odds of failure: intercept first, then one coefficient a factor, in the order given.

    ``intervals`` are by profile likelihood and may be infinite on a side that the data leave open. ``p_values`` are of
    penalised likelihood ratio tests.
    """

    names: tuple[str, ...]
    coefficients: tuple[float, ...]
    intervals: tuple[Interval, ...]
    p_values: tuple[float, ...]
    log_likelihood: float
    n: int


def firth_logistic(
    factors: Iterable[Sequence[float]] | Iterable[float],
    failed: Iterable[bool],
    *,
    names: Sequence[str] = (),
    confidence: float = 0.95,
) -> FirthFit:
    """Fit the log-odds of failure to factors, one row a corner; a single factor may come as plain numbers.

    Raises:
        ValueError: unequal lengths, nothing to fit, or factors of which one follows from the others: those cannot be
            told apart by any analysis, only by another corner.

    """
    import numpy as np

    checked_confidence(confidence)
    rows = [np.atleast_1d(np.asarray(row, dtype=np.float64)) for row in factors]
    outcome = np.asarray([bool(item) for item in failed], dtype=np.float64)
    if not rows or len(rows) != outcome.size or len({row.shape for row in rows}) != 1 or rows[0].ndim != 1:
        raise ValueError("factors need one row for each outcome, all equally long, at least one")
    plain = np.vstack(rows)
    if not bool(np.isfinite(plain).all()):
        raise ValueError("a factor is not finite")
    labels = tuple(names) or tuple(f"factor {i + 1}" for i in range(plain.shape[1]))
    if len(labels) != plain.shape[1]:
        raise ValueError(f"{plain.shape[1]} factors need as many names, but there are {len(labels)}")
    # Each factor is centred and scaled for the fit, so that volts and millivolts converge alike.
    middle, spread = plain.mean(axis=0), plain.std(axis=0)
    if bool((spread == 0).any()):
        raise ValueError(f"{labels[int(np.argmin(spread))]} never changes: it cannot be told from the intercept")
    design = np.column_stack([np.ones(outcome.size), (plain - middle) / spread])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError("one factor follows from the others: the corners cannot tell them apart")
    problem = _Problem(design=design, outcome=outcome)
    best, peak = problem.maximise(np.zeros(design.shape[1]))
    # From scaled back to plain: a linear map that the intercept shares in.
    back = np.diag(np.concatenate([[1.0], 1 / spread]))
    back[0, 1:] = -middle / spread
    width = chi2_quantile(confidence, 1) / 2
    intervals, p_values = [], []
    for j in range(design.shape[1]):
        profile = _Profile(problem=problem, direction=back[j], best=best, peak=peak)
        estimate = float(back[j] @ best)
        low, high = profile.bound(-1, width), profile.bound(1, width)
        intervals.append(
            Interval(estimate=estimate, low=low, high=high, confidence=confidence, method="profile likelihood")
        )
        p_values.append(chi2_upper_tail(2 * max(0.0, peak - profile.at(0.0)[1]), 1))
    return FirthFit(
        names=("intercept", *labels),
        coefficients=tuple(float(row @ best) for row in back),
        intervals=tuple(intervals),
        p_values=tuple(p_values),
        log_likelihood=peak + float(np.log(spread).sum()),
        n=int(outcome.size),
    )


def _inverse(matrix: "NDArray[np.float64]") -> "NDArray[np.float64]":
    import numpy as np

    try:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        # Far out on a profile every weight rounds to 0: the flat directions then take no step.
        return np.asarray(np.linalg.pinv(matrix), dtype=np.float64)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Problem:
    design: "NDArray[np.float64]"
    outcome: "NDArray[np.float64]"

    def value(self, beta: "NDArray[np.float64]") -> float:
        """Tell the penalised log-likelihood."""
        import numpy as np

        score = self.design @ beta
        likelihood = float(self.outcome @ score - np.logaddexp(0.0, score).sum())
        weight = self._weight(score)
        sign, determinant = np.linalg.slogdet(self.design.T @ (self.design * weight[:, None]))
        return likelihood + 0.5 * float(determinant) if sign > 0 else -math.inf

    @staticmethod
    def _weight(score: "NDArray[np.float64]") -> "NDArray[np.float64]":
        from scipy import special

        probability = special.expit(score)
        return probability * special.expit(-score)  # type: ignore[no-any-return]  # scipy has no types

    def maximise(
        self, start: "NDArray[np.float64]", basis: "NDArray[np.float64] | None" = None, *, done: float = _DONE
    ) -> "tuple[NDArray[np.float64], float]":
        """Climb from ``start`` along the columns of ``basis`` (all directions if None) to the greatest value."""
        import numpy as np
        from scipy import special

        beta, value = start, self.value(start)
        for _ in range(_STEPS):
            score = self.design @ beta
            weight = self._weight(score)
            information = self.design.T @ (self.design * weight[:, None])
            inverse = _inverse(information)
            leverage = weight * np.einsum("ij,jk,ik->i", self.design, inverse, self.design)
            probability = special.expit(score)
            gradient = self.design.T @ (self.outcome - probability + leverage * (0.5 - probability))
            if basis is None:
                step = inverse @ gradient
            elif basis.shape[1] == 0:
                break
            else:
                step = basis @ _inverse(basis.T @ information @ basis) @ (basis.T @ gradient)
            longest = float(np.abs(step).max())
            step = step * min(1.0, _LARGEST_STEP / longest) if longest > 0 else step
            for _halving in range(40):
                tried = self.value(beta + step)
                if tried >= value - _ROUNDING * (1 + abs(value)):
                    break
                step = step / 2
            else:
                break
            beta, value = beta + step, tried
            if longest < done:
                break
        return beta, value


@dataclass(frozen=True, kw_only=True, slots=True)
class _Profile:
    """The likelihood of one combination of coefficients, all others free."""

    problem: _Problem
    direction: "NDArray[np.float64]"
    best: "NDArray[np.float64]"
    peak: float

    def at(self, target: float, start: "NDArray[np.float64] | None" = None) -> "tuple[NDArray[np.float64], float]":
        """Maximise with ``direction`` held at ``target``."""
        import numpy as np

        unit = self.direction / np.linalg.norm(self.direction)
        basis = np.linalg.svd(unit[None, :])[2][1:].T
        origin = self.best if start is None else start
        shift = (target - float(self.direction @ origin)) / float(self.direction @ self.direction)
        # Near its maximum the likelihood is flat: a step of 1e-6 changes it by 1e-12.
        return self.problem.maximise(origin + shift * self.direction, basis, done=1e-6)

    def bound(self, side: int, width: float) -> float:
        """Find where the profile has fallen by ``width``; infinite if it never does within 60 log-odds of scale."""
        from scipy import optimize

        middle = float(self.direction @ self.best)
        scale = float((self.direction @ self.direction) ** 0.5)
        near, far, beta = 0.0, 0.25 * scale, self.best
        while True:
            beta, value = self.at(middle + side * far, beta)
            if self.peak - value >= width:
                break
            near, far = far, far * 1.6
            if far > 60 * scale:
                return side * math.inf
        start = beta

        def gap(distance: float) -> float:
            return self.peak - self.at(middle + side * distance, start)[1] - width

        return middle + side * float(optimize.brentq(gap, near, far, xtol=1e-7 * max(1.0, far)))
