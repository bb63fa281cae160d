"""What will happen on the simulated bench by itself, in order of time, carried out when somebody looks."""

import heapq
import math
from collections.abc import Callable
from itertools import count

__all__ = ["Timeline"]


class Timeline:
    """Hold what is due; whoever looks at the bench first calls `run_until`.

    ``next_s`` is when the next thing is due: one comparison tells a busy path that nothing is.
    """

    def __init__(self) -> None:
        self.next_s = math.inf
        self._due: list[tuple[float, int, Callable[[float], None]]] = []
        self._ordinals = count()

    def at(self, at_s: float, act: Callable[[float], None]) -> None:
        """Have ``act`` called with its own time once that has come; equal times keep the order of asking."""
        heapq.heappush(self._due, (at_s, next(self._ordinals), act))
        self.next_s = self._due[0][0]

    def run_until(self, now_s: float) -> None:
        """Carry out all that is due; what that brings about is carried out too if it is due."""
        while self._due and self._due[0][0] <= now_s:
            at_s, _, act = heapq.heappop(self._due)
            act(at_s)
        self.next_s = self._due[0][0] if self._due else math.inf
