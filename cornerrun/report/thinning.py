"""Long series of points, thinned to what a drawing can show."""

from collections.abc import Sequence
from typing import TypeVar

__all__ = ["thinned"]

T = TypeVar("T")


def thinned(points: Sequence[T], most: int) -> Sequence[T]:
    """Keep every n-th point and the last one: ``most`` points or one more; all where there are no more."""
    step = max(1, -(-len(points) // most))
    return [*points[::step], *(points[-1:] if (len(points) - 1) % step else ())]
