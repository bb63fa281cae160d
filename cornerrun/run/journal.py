"""Keep what a reader of the report must know, and tell it at once."""

from collections.abc import Callable

from cornerrun.clock import Clock
from cornerrun.results.records import Event
from cornerrun.run.progress import Listener, Notice, ProgressEvent

__all__ = ["Journal"]


class Journal:
    """Collect events until they can be stored, and pass progress on to a listener.

    Events are stored between visits, never in the middle of one: a store that fails must not come between a fault and
    the way to safety. A listener that raises loses its event and nothing else.
    """

    def __init__(self, clock: Clock, listener: Listener | None = None, *, began_s: float | None = None) -> None:
        self._clock = clock
        self._listener = listener
        self.started_s = clock.now_s() if began_s is None else began_s
        self._waiting: list[Event] = []

    def elapsed_s(self) -> float:
        """Seconds since the run began."""
        return self._clock.now_s() - self.started_s

    def note(self, severity: str, what: str, rail: str = "") -> None:
        """Keep an event and tell it; ``severity`` is "note", "warning" or "error"."""
        self._waiting.append(
            Event(at_s=self.elapsed_s(), at_utc=self._clock.utc_now(), severity=severity, what=what, rail=rail)
        )
        self.tell(Notice(severity=severity, text=f"{rail}: {what}" if rail else what))

    def tell(self, event: ProgressEvent) -> None:
        """Pass an event of progress on."""
        if self._listener is None:
            return
        try:
            self._listener.tell(event)
        except Exception:
            # Whoever listens, a terminal that is gone included, cannot stop a run.
            self._listener = None

    def flush(self, store: Callable[[Event], None]) -> None:
        """Hand every event that waits to the store, oldest first; one that fails stays, with those after it."""
        while self._waiting:
            store(self._waiting[0])
            self._waiting.pop(0)
