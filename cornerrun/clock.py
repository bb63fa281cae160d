"""The only sleep in the product, and the flag that wakes it."""

import os
import select
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Protocol

__all__ = ["Clock", "ManualClock", "StopFlag", "SystemClock"]

_POLL_GRAIN_S = 1e-3  # poll(2) counts in milliseconds
_LONGEST_POLL_S = 3600.0  # chosen: poll(2) takes no more than some weeks; whoever waits longer polls again
_CHARGE_GRAIN_S = 0.002  # chosen: shorter sleeps overshoot by a large share of themselves


class StopFlag:
    """Remember that somebody wants the run to end, and wake who sleeps.

    `request` may be called from a signal handler: it takes no lock and allocates nothing that waits.
    """

    def __init__(self) -> None:
        self._reason: str | None = None
        self._is_fault = False
        self._reader, self._writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    @property
    def reason(self) -> str | None:
        """Why the run shall end; None while it may go on."""
        return self._reason

    @property
    def is_fault(self) -> bool:
        """Whether what asked was trouble of the bench, and no person."""
        return self._is_fault

    @property
    def wake_fd(self) -> int:
        """A file descriptor that becomes readable when the flag is set."""
        return self._reader

    def request(self, reason: str, *, is_fault: bool = False) -> None:
        """Ask for the end of the run; the first reason stays."""
        if self._reason is None:
            self._is_fault = is_fault
            self._reason = reason
        with suppress(BlockingIOError):
            os.write(self._writer, b"!")

    def __del__(self) -> None:
        with suppress(OSError):
            os.close(self._reader)
            os.close(self._writer)


class Clock(Protocol):
    """Tell the time and let it pass."""

    stop: StopFlag

    @property
    def passes_by_itself(self) -> bool:
        """Whether time goes on while other work is done; a manual clock must be moved by who does that work."""
        ...

    def now_s(self) -> float:
        """Read the monotonic time in seconds; its zero means nothing."""
        ...

    def utc_now(self) -> datetime:
        """Read the wall time, UTC, aware."""
        ...

    def sleep_until(self, deadline_s: float, *, interruptible: bool = True) -> bool:
        """Wait until `now_s` reaches ``deadline_s``; False if the stop flag ended the wait early.

        The way back to nominal passes ``interruptible=False``: a second Ctrl-C changes nothing.
        """
        ...

    def charge(self, duration_s: float) -> None:
        """Let the time pass that a simulated exchange would have taken on the wire."""
        ...


def _until(_deadline_s: float) -> None:
    """Tell nobody."""


class SystemClock:
    """The machine's own clock.

    ``sign_of_life`` is told, whenever somebody reads the clock or begins to wait on it, until when nothing more need be
    heard of them: a guardian of the run tells a hung thread by that.
    """

    passes_by_itself = True

    def __init__(self, stop: StopFlag | None = None) -> None:
        self.stop = stop or StopFlag()
        self.sign_of_life: Callable[[float], None] = _until
        self._debt_s = 0.0
        self._poll = select.poll()
        self._poll.register(self.stop.wake_fd, select.POLLIN)

    def now_s(self) -> float:
        now_s = time.monotonic()
        self.sign_of_life(now_s)
        return now_s

    def utc_now(self) -> datetime:
        return datetime.now(UTC)

    def sleep_until(self, deadline_s: float, *, interruptible: bool = True) -> bool:
        self.sign_of_life(deadline_s)
        while True:
            if interruptible and self.stop.reason is not None:
                return False
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                self.sign_of_life(deadline_s)
                return True
            if interruptible:
                # poll and not select, which fails for descriptors from 1024 on; it takes whole milliseconds.
                if left_s < _POLL_GRAIN_S:
                    time.sleep(left_s)
                else:
                    self._poll.poll(int(min(left_s, _LONGEST_POLL_S) / _POLL_GRAIN_S))
            else:
                time.sleep(left_s)

    def charge(self, duration_s: float) -> None:
        self._debt_s += duration_s
        if self._debt_s >= _CHARGE_GRAIN_S:
            started_s = time.monotonic()
            time.sleep(self._debt_s)
            # What the sleep took too long is taken off the next charges.
            self._debt_s -= time.monotonic() - started_s


class ManualClock:
    """A clock that moves only when it is told to: tests and simulated benches run at full speed.

    It belongs to one thread.
    """

    passes_by_itself = False

    def __init__(self, start_utc: datetime | None = None, *, stop: StopFlag | None = None) -> None:
        self.stop = stop or StopFlag()
        self._start_utc = start_utc or datetime(2026, 1, 1, tzinfo=UTC)
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def utc_now(self) -> datetime:
        return self._start_utc + timedelta(seconds=self._now_s)

    def sleep_until(self, deadline_s: float, *, interruptible: bool = True) -> bool:
        if interruptible and self.stop.reason is not None:
            return False
        self._now_s = max(self._now_s, deadline_s)
        return True

    def charge(self, duration_s: float) -> None:
        self._now_s += duration_s
