"""Tell from its signs of life whether a runner is well: fed with what came, asked at any time. Nothing here waits."""

__all__ = ["AT_REST", "BEAT_S", "BUS_STEP_S", "SILENCE_S", "WORKER_MARK", "Signs"]

WORKER_MARK = "CORNERRUN_RUNNER"
"""The environment variable in which processes of checks carry the runner's process number."""

AT_REST = frozenset({"prepare", "baseline", "ended"})
"""The phases of a run in which nothing has moved yet, or nothing will move any more."""

BEAT_S = 0.1
SILENCE_S = 0.5  # chosen: five beats; a loaded machine delays one, not five
BUS_STEP_S = 0.5  # what a main thread may take between two looks at the clock while it works on the bus
_MISSES = 3  # chosen: a lease that one beat finds overdue may have been renewed since


class Signs:
    """Two signs of life: beats, sent by a thread of the runner, and in each how long its main thread may be silent.

    All times are of the one monotonic clock that both processes read, in seconds.
    """

    def __init__(self, now_s: float) -> None:
        self._heard_s = now_s
        self._misses = 0
        self._overdue_s = 0.0
        self.is_at_rest = False

    def beat(self, now_s: float, sent_s: float, lease_s: float) -> None:
        """Take a beat: when it came, when it was sent, and until when nothing need be heard of the main thread."""
        self._heard_s = now_s
        self._overdue_s = sent_s - lease_s
        self._misses = self._misses + 1 if self._overdue_s > BUS_STEP_S else 0

    def trouble(self, now_s: float) -> str:
        """Say what is wrong; empty while the runner is well.

        ``is_at_rest``: the board has been brought to its end, and what the main thread does is no longer timed.
        """
        # Against the sum, not the difference: that rounds, and a beat in the very last moment would come too late.
        if now_s > self._heard_s + SILENCE_S:
            return f"no sign of life of the runner for {now_s - self._heard_s:.2f} s"
        if self._misses >= _MISSES and not self.is_at_rest:
            return f"the runner's main thread is {self._overdue_s:.2f} s overdue"
        return ""

    def wait_s(self, now_s: float) -> float:
        """Tell how long may be waited before `trouble` has to be asked again."""
        return max(0.0, self._heard_s + SILENCE_S - now_s) + 0.001
