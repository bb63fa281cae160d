"""Propagation of distributions by drawing from them, for models that are not linear.

Source: JCGM 101:2008. The random generator comes from the caller, so that a result can be repeated.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cornerrun.stats.interval import checked_confidence, checked_count

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Draw = Callable[[np.random.Generator, int], NDArray[np.float64]]
    Model = Callable[..., NDArray[np.float64]]

__all__ = ["Propagated", "normal", "propagate", "scaled_t", "uniform"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Propagated:
    """What came of the draws: mean, standard uncertainty, and the interval that holds ``confidence`` of them.

    ``low`` and ``high`` leave equal shares outside; ``shortest_low`` and ``shortest_high`` are the shortest such
    interval, better for a lopsided distribution. ``standard_error`` is how well ``draws`` settle the mean.
    """

    estimate: float
    standard_uncertainty: float
    low: float
    high: float
    shortest_low: float
    shortest_high: float
    confidence: float
    draws: int
    standard_error: float


def normal(mean: float, standard_uncertainty: float) -> "Draw":
    """Make an input that is normal (JCGM 101:2008, 6.4.7)."""
    return lambda generator, draws: generator.normal(mean, standard_uncertainty, draws)


def uniform(low: float, high: float) -> "Draw":
    """Make an input that lies anywhere between two limits (JCGM 101:2008, 6.4.2)."""
    return lambda generator, draws: generator.uniform(low, high, draws)


def scaled_t(mean: float, standard_uncertainty: float, degrees_of_freedom: float) -> "Draw":
    """Make an input known from repeated readings (JCGM 101:2008, 6.4.9)."""
    return lambda generator, draws: mean + standard_uncertainty * generator.standard_t(degrees_of_freedom, draws)


def propagate(
    model: "Model",
    inputs: "Mapping[str, Draw]",
    *,
    generator: "np.random.Generator",
    draws: int = 200_000,
    confidence: float = 0.95,
) -> Propagated:
    """Draw all inputs, put them through ``model`` by keyword, as arrays, and tell what came out.

    Raises:
        ValueError: fewer than 10,000 draws, no input, or a model that returns something not finite or of another size.

    """
    import numpy as np

    size = checked_count("draws", draws, least=10_000)
    checked_confidence(confidence)
    if not inputs:
        raise ValueError("a model needs at least one input")
    # In the order of names, so that the same generator gives the same result however the mapping was built.
    drawn = {name: inputs[name](generator, size) for name in sorted(inputs)}
    values = np.asarray(model(**drawn), dtype=np.float64)
    if values.shape != (size,):
        raise ValueError(f"the model must return {size} values, but returned shape {values.shape}")
    if not bool(np.isfinite(values).all()):
        raise ValueError("the model returned a value that is not finite")
    values = np.sort(values)
    # JCGM 101:2008, 7.7: q of the sorted values, the shortest among all runs of q.
    held = min(size - 1, round(confidence * size))
    start = (size - 1 - held) // 2
    best = int(np.argmin(values[held:] - values[: size - held]))
    deviation = float(values.std(ddof=1))
    return Propagated(
        estimate=float(values.mean()),
        standard_uncertainty=deviation,
        low=float(values[start]),
        high=float(values[start + held]),
        shortest_low=float(values[best]),
        shortest_high=float(values[best + held]),
        confidence=confidence,
        draws=size,
        standard_error=deviation / math.sqrt(size),
    )
