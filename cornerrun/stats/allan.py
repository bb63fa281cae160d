"""How the scatter of a series of readings depends on how long one averages: Allan deviation and its relatives.

Tells noise, which averaging makes smaller, from drift, which it does not. The readings are evenly spaced: the
"frequencies" of NIST SP 1065 (Riley, 2008), section 5.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cornerrun.stats.interval import checked_count, finite_array

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Deviation", "Kind", "allan_deviation", "autocorrelation"]

Kind = Literal["plain", "overlapping", "total", "hadamard"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Deviation:
    """A deviation at one averaging time: in the unit of the readings, from ``terms`` differences."""

    averaging_s: float
    deviation: float
    terms: int


def allan_deviation(
    readings: Iterable[float], *, averages: int = 1, interval_s: float = 1.0, kind: Kind = "overlapping"
) -> Deviation:
    """Tell the deviation between successive averages of ``averages`` readings each.

    "plain" uses averages side by side, "overlapping" every start, "total" also the readings mirrored at both ends,
    "hadamard" second differences, which a steady drift does not touch.

    Raises:
        ValueError: too few readings for one difference, an unknown kind, or a count or interval that is not positive.

    """
    import numpy as np

    values = finite_array("readings", readings, least=2)
    m = checked_count("averages", averages, least=1)
    if not interval_s > 0:
        raise ValueError(f"the interval must be positive, but is {interval_s!r}")
    # Centred: the sums below grow with a large common part, the differences do not.
    phase = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    if kind == "total":
        differences = _total(phase, m)
    elif kind in ("plain", "overlapping"):
        differences = _differences(phase[::m] if kind == "plain" else phase, 1 if kind == "plain" else m, order=2)
    elif kind == "hadamard":
        differences = _differences(phase[::m], 1, order=3)
    else:
        raise ValueError(f"kind must be plain, overlapping, total or hadamard, but is {kind!r}")
    if differences.size == 0:
        raise ValueError(f"{values.size} readings are too few to compare averages of {m}")
    scale = 6.0 if kind == "hadamard" else 2.0
    return Deviation(
        averaging_s=m * interval_s,
        deviation=float(np.sqrt(np.mean(differences**2) / scale)) / m,
        terms=int(differences.size),
    )


def _differences(phase: "NDArray[np.float64]", step: int, *, order: int) -> "NDArray[np.float64]":
    for _ in range(order):
        phase = phase[step:] - phase[:-step]
    return phase


def _total(phase: "NDArray[np.float64]", m: int) -> "NDArray[np.float64]":
    """Extend by reflection about both ends, so that long averages have as many differences as short ones."""
    import numpy as np

    n = phase.size
    if m > n - 2:
        return np.array([])
    extended = np.concatenate([2 * phase[0] - phase[n - 2 : 0 : -1], phase, 2 * phase[-1] - phase[n - 2 : 0 : -1]])
    centre = np.arange(1, n - 1) + (n - 2)
    return np.asarray(extended[centre - m] - 2 * extended[centre] + extended[centre + m], dtype=np.float64)


def autocorrelation(readings: Iterable[float], *, lag: int = 1) -> float:
    """Tell how readings go with those ``lag`` before them; near 0 if they are independent.

    Where it is not, the standard deviation over the root of n says too little. Source: NIST/SEMATECH e-Handbook
    1.3.5.12.

    Raises:
        ValueError: no more readings than ``lag``, or all equal.

    """
    k = checked_count("lag", lag, least=1)
    values = finite_array("readings", readings, least=k + 1)
    centred = values - values.mean()
    centred = centred - centred.mean()
    whole = float(centred @ centred)
    if whole == 0 or float(values.max() - values.min()) == 0:
        raise ValueError("readings that are all equal go with nothing")
    return float(centred[k:] @ centred[:-k]) / whole
