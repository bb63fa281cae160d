"""Links whose exchanges tell beforehand how long they may take: a guardian would take a silent main thread for hung."""

import time
from collections.abc import Callable
from typing import Any, TypeVar, cast

from cornerrun.clock import Clock, SystemClock

__all__ = ["lease_of", "patient"]

T = TypeVar("T")

_MORE_S = 1.0  # chosen: on top of what an exchange is given, for the machine's own delays


def lease_of(clock: Clock) -> Callable[[float], None]:
    """Tell where a link that waits by itself says until when nothing need be heard of it."""
    return lambda until_s: clock.sign_of_life(until_s) if isinstance(clock, SystemClock) else None


def patient(link: T, clock: Clock, *, longest_s: float) -> T:
    """Return the link, so wrapped that each call takes a lease of ``longest_s`` on a clock that passes by itself.

    A call of ``read`` with its own time-out, as text links have, takes a lease for that.
    """
    if not isinstance(clock, SystemClock):
        return link
    return cast(T, _Patient(link, clock, longest_s))


class _Patient:
    """Stands before a link. Any: its methods pass through here as they are."""

    def __init__(self, link: Any, clock: SystemClock, longest_s: float) -> None:
        vars(self).update(_link=link, _clock=clock, _longest_s=longest_s)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._link, name)
        return self._leased(name, found) if callable(found) else found

    def __setattr__(self, name: str, value: object) -> None:
        setattr(self._link, name, value)

    def _leased(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def leased(*arguments: Any) -> Any:
            asked_s = float(arguments[0]) if name == "read" and arguments else 0.0
            now_s = time.monotonic()
            self._clock.sign_of_life(now_s + max(self._longest_s, asked_s) + _MORE_S)
            try:
                return call(*arguments)
            finally:
                self._clock.sign_of_life(time.monotonic())

        return leased
