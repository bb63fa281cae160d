"""The few distribution functions that the statistics here stand on, typed, from ``scipy.special``.

``scipy.stats`` has the same functions but takes several times as long to import. It is imported at the first call, so
that a command which only needs the name of a statistic starts at once.
"""

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "beta_quantile",
    "binomial_cdf",
    "chi2_quantile",
    "chi2_upper_tail",
    "chi2_upper_tail_of",
    "f_upper_tail",
    "normal_cdf",
    "normal_quantile",
    "t_cdf",
    "t_quantile",
]


def normal_cdf(z: float) -> float:
    """Tell the probability that a standard normal variable is at most ``z``; accurate in the lower tail too."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(probability: float) -> float:
    """Invert `normal_cdf`."""
    from scipy import special

    return float(special.ndtri(probability))


def t_cdf(t: float, degrees_of_freedom: float) -> float:
    """Tell the probability that Student's t is at most ``t``; infinite degrees of freedom mean normal."""
    if math.isinf(degrees_of_freedom):
        return normal_cdf(t)
    from scipy import special

    return float(special.stdtr(degrees_of_freedom, t))


def t_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Invert `t_cdf`."""
    if math.isinf(degrees_of_freedom):
        return normal_quantile(probability)
    from scipy import special

    return float(special.stdtrit(degrees_of_freedom, probability))


def chi2_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Tell the value that a chi-square variable stays below with ``probability``."""
    from scipy import special

    return 2.0 * float(special.gammaincinv(degrees_of_freedom / 2, probability))


def chi2_upper_tail(value: float, degrees_of_freedom: float) -> float:
    """Tell the probability that a chi-square variable exceeds ``value``."""
    from scipy import special

    return float(special.chdtrc(degrees_of_freedom, value))


def chi2_upper_tail_of(values: "NDArray[np.float64]", degrees_of_freedom: float) -> "NDArray[np.float64]":
    """Do as `chi2_upper_tail` for many values at once."""
    import numpy as np
    from scipy import special

    return np.asarray(special.chdtrc(degrees_of_freedom, values), dtype=np.float64)


def f_upper_tail(value: float, numerator_dof: float, denominator_dof: float) -> float:
    """Tell the probability that an F variable exceeds ``value``."""
    from scipy import special

    return float(special.fdtrc(numerator_dof, denominator_dof, value))


def beta_quantile(probability: float, a: float, b: float) -> float:
    """Tell the value that a beta variable stays below with ``probability``."""
    from scipy import special

    return float(special.betaincinv(a, b, probability))


def binomial_cdf(count: int, trials: int, probability: float) -> float:
    """Tell the probability of at most ``count`` successes in ``trials``."""
    if count >= trials:
        return 1.0
    from scipy import special

    return float(special.bdtr(count, trials, probability))
