"""How much trouble a bus may give before a run on it means nothing; pure."""

from collections import deque

__all__ = ["Budget"]

_WINDOW = 1000  # messages; chosen: a few visits of a large board
_WARNING_SHARE = 0.3  # chosen: of the limit; with 5 % that is 1.5 %, well below the 2 % that must be told


class Budget:
    """Count errors among the last thousand messages of a bus.

    No PMBus part needs retries (linux-hwmon, a maintainer's answer on retries, 2025): a few are the bench's noise, many
    are a bad bus, whose readings nobody should trust.
    """

    def __init__(self, limit_ratio: float = 0.05) -> None:
        self.limit_ratio = limit_ratio
        self._allowed = limit_ratio * _WINDOW
        self._errors: deque[int] = deque()

    def spend(self, message: int) -> None:
        """Take note that the message of this number failed; numbers never fall."""
        self._errors.append(message)

    def forgive(self, after: int) -> None:
        """Take back what was spent after a message: it turned out to be an answer, not trouble."""
        while self._errors and self._errors[-1] > after:
            self._errors.pop()

    def is_exhausted(self, message: int) -> bool:
        """Whether there are more errors than allowed, seen from the message of this number."""
        return self._count(message) > self._allowed

    def is_worrying(self, message: int) -> bool:
        """Whether there are enough to be told."""
        return self._count(message) > _WARNING_SHARE * self._allowed

    def __str__(self) -> str:
        return f"{len(self._errors)} errors in {_WINDOW} messages, where {self._allowed:g} are allowed"

    def _count(self, message: int) -> int:
        while self._errors and self._errors[0] <= message - _WINDOW:
            self._errors.popleft()
        return len(self._errors)
