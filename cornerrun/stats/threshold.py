"""At which level a function begins to fail: a curve fitted to failures counted at several levels.

The level may be a voltage, a margin or anything else that failures grow with. What is asked for is rarely the median
but a level that hardly ever fails, far from where trials were made: the interval says how far that can be trusted.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cornerrun.stats.distributions import normal_quantile
from cornerrun.stats.interval import Interval, checked_confidence, checked_count, finite_array

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Arrays = NDArray[np.float64]

__all__ = ["Link", "Threshold", "fit_threshold"]

Link = Literal["logit", "probit"]

_STEPS = 100
_FARTHEST = 30.0  # chosen: in standardised log-odds; beyond it the likelihood is flat, the data separate


@dataclass(frozen=True, kw_only=True, slots=True)
class Threshold:
    """``link(share of failures) = intercept + slope * level``, by maximum likelihood.

    ``covariance`` is that of intercept and slope: var, cov, var. ``deviance`` near its ``degrees_of_freedom`` speaks
    for the curve, one far above against it.
    """

    link: Link
    intercept: float
    slope: float
    covariance: tuple[float, float, float]
    deviance: float
    null_deviance: float
    degrees_of_freedom: int
    aic: float
    n: int

    @property
    def intercept_standard_error(self) -> float:
        """The standard uncertainty of the intercept."""
        return math.sqrt(self.covariance[0])

    @property
    def slope_standard_error(self) -> float:
        """The standard uncertainty of the slope."""
        return math.sqrt(self.covariance[2])

    def level(self, share: float = 0.5) -> float:
        """Tell the level at which this share of trials fails."""
        return (self._score(share) - self.intercept) / self.slope

    def level_standard_error(self, share: float = 0.5) -> float:
        """Tell the standard uncertainty of `level`, by propagation (JCGM 100:2008, 5.1.2)."""
        at = self.level(share)
        a, b, c = self.covariance
        return math.sqrt(a + 2 * at * b + at * at * c) / abs(self.slope)

    def level_interval(self, share: float = 0.5, *, confidence: float = 0.95) -> Interval:
        """Bound the level at which this share of trials fails (Fieller, J. R. Stat. Soc. B 1954;16:175).

        Raises:
            ValueError: the slope cannot be told from zero, so that no finite interval exists.

        """
        z = normal_quantile(0.5 + checked_confidence(confidence) / 2)
        a, b, c = self.covariance
        at = self.level(share)
        g = z * z * c / self.slope**2
        if g >= 1:
            raise ValueError("the slope cannot be told from zero: more trials nearer the edge are needed")
        middle = at + g / (1 - g) * (at + b / c)
        root = max(0.0, a + 2 * at * b + at * at * c - g * (a - b * b / c))
        reach = z / (abs(self.slope) * (1 - g)) * math.sqrt(root)
        return Interval(estimate=at, low=middle - reach, high=middle + reach, confidence=confidence, method="fieller")

    def _score(self, share: float) -> float:
        if not 0 < share < 1:
            raise ValueError(f"a share lies between 0 and 1, both excluded, but is {share!r}")
        return math.log(share / (1 - share)) if self.link == "logit" else normal_quantile(share)


def fit_threshold(
    levels: Iterable[float], failures: Iterable[float], trials: Iterable[float], *, link: Link = "logit"
) -> Threshold:
    """Fit a threshold curve to failures among trials at each level.

    Raises:
        ValueError: unequal lengths, more failures than trials, fewer than two levels, an unknown link, or failures and
            passes that separate: then the threshold lies between the two levels, and no curve can be fitted.

    """
    import numpy as np

    if link not in ("logit", "probit"):
        raise ValueError(f"link must be 'logit' or 'probit', but is {link!r}")
    x = finite_array("levels", levels, least=2)
    f = np.array([checked_count("failures", value) for value in failures], dtype=np.float64)
    n = np.array([checked_count("trials", value, least=1) for value in trials], dtype=np.float64)
    if not x.size == f.size == n.size:
        raise ValueError("each level needs its failures and its trials")
    if bool((f > n).any()):
        raise ValueError("failures must not exceed trials")
    spread = float(x.std())
    if float(np.ptp(x)) == 0:
        raise ValueError("all levels are equal: a threshold cannot be found")
    middle = float(x.mean())
    if _separates(x, f, n):
        raise ValueError("passes and failures separate: the threshold lies between two levels; try levels between them")
    design = np.column_stack([np.ones(x.size), (x - middle) / spread])
    beta = _climb(design, f, n, link)
    _, information, share = _step(design, f, n, link, beta)
    scaled = np.linalg.inv(information)
    back = np.array([[1.0, -middle / spread], [0.0, 1 / spread]])
    plain, covariance = back @ beta, back @ scaled @ back.T
    from scipy import special

    choose = special.gammaln(n + 1) - special.gammaln(f + 1) - special.gammaln(n - f + 1)
    likelihood = float((special.xlogy(f, share) + special.xlog1py(n - f, -share) + choose).sum())
    return Threshold(
        link=link,
        intercept=float(plain[0]),
        slope=float(plain[1]),
        covariance=(float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1])),
        deviance=_deviance(f, n, share),
        null_deviance=_deviance(f, n, np.full(x.size, f.sum() / n.sum())),
        degrees_of_freedom=int(x.size) - 2,
        aic=4 - 2 * likelihood,
        n=int(n.sum()),
    )


def _separates(x: "Arrays", f: "Arrays", n: "Arrays") -> bool:
    """Whether a level divides all passes from all failures, or one of the two never came."""
    failed, passed = x[f > 0], x[f < n]
    if not failed.size or not passed.size:
        return True
    return bool(failed.min() >= passed.max() or failed.max() <= passed.min())


def _step(design: "Arrays", f: "Arrays", n: "Arrays", link: Link, beta: "Arrays") -> "tuple[Arrays, Arrays, Arrays]":
    """Tell gradient, expected information and fitted shares."""
    import numpy as np
    from scipy import special

    score = np.clip(design @ beta, -_FARTHEST, _FARTHEST)
    if link == "logit":
        share = special.expit(score)
        density = share * (1 - share)
    else:
        share = special.ndtr(score)
        density = np.exp(-0.5 * score**2) / math.sqrt(2 * math.pi)
    variance = np.maximum(share * (1 - share), 1e-300)
    gradient = design.T @ (density * (f - n * share) / variance)
    information = design.T @ (design * (n * density**2 / variance)[:, None])
    return gradient, information, share


def _climb(design: "Arrays", f: "Arrays", n: "Arrays", link: Link) -> "Arrays":
    """Find the maximum by Fisher scoring, steps halved where they overshoot."""
    import numpy as np

    beta = np.zeros(2)
    worth = _deviance(f, n, _step(design, f, n, link, beta)[2])
    for _ in range(_STEPS):
        gradient, information, _ = _step(design, f, n, link, beta)
        step = np.linalg.solve(information, gradient)
        while True:
            tried = _deviance(f, n, _step(design, f, n, link, beta + step)[2])
            if tried <= worth + 1e-12 * (1 + abs(worth)) or float(np.abs(step).max()) < 1e-14:
                break
            step = step / 2
        beta, worth = beta + step, tried
        if float(np.abs(step).max()) < 1e-12:
            break
    return beta


def _deviance(f: "Arrays", n: "Arrays", share: "Arrays") -> float:
    from scipy import special

    return 2 * float((special.rel_entr(f, n * share) + special.rel_entr(n - f, n * (1 - share))).sum())
