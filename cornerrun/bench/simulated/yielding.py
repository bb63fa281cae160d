"""A clock for several threads around one simulated bench: who waits lets the others in."""

import threading
from collections.abc import Callable
from datetime import datetime

from cornerrun.clock import Clock, ManualClock, StopFlag, SystemClock

__all__ = ["YieldingClock"]


class YieldingClock:
    """Hand on an inner clock, and give ``lock`` back while time passes.

    A thread holds ``lock`` while it works on the bench. On a SystemClock each thread has a charge account of its own:
    wire time of one bus is no delay of another.
    """

    def __init__(self, inner: Clock, lock: threading.Lock) -> None:
        self._inner = inner
        self._lock = lock
        self._own = threading.local()
        self.stop: StopFlag = inner.stop

    @property
    def passes_by_itself(self) -> bool:
        return self._inner.passes_by_itself

    def now_s(self) -> float:
        return self._inner.now_s()

    def utc_now(self) -> datetime:
        return self._inner.utc_now()

    def sleep_until(self, deadline_s: float, *, interruptible: bool = True) -> bool:
        return self._unlocked(lambda clock: clock.sleep_until(deadline_s, interruptible=interruptible))

    def charge(self, duration_s: float) -> None:
        def act(clock: Clock) -> bool:
            clock.charge(duration_s)
            return True

        self._unlocked(act)

    def _unlocked(self, act: Callable[[Clock], bool]) -> bool:
        if isinstance(self._inner, ManualClock):
            return act(self._inner)
        self._lock.release()
        try:
            return act(self._account())
        finally:
            self._lock.acquire()

    def _account(self) -> Clock:
        account: Clock | None = getattr(self._own, "account", None)
        if account is None:
            account = self._own.account = SystemClock(self.stop)
        return account
