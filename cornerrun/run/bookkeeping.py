"""Keep what the steps of a run bring: each record with the intent after it, so that a kill loses one visit at most."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from cornerrun.bench.ports import Note
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import Intent, VisitRecord
from cornerrun.run.journal import Journal
from cornerrun.run.keeping import Keeper

__all__ = ["Bookkeeper"]


class Bookkeeper:
    """Know the visits that were made, and hand them to the store.

    ``earlier`` are those of a run that goes on; the first one after them is marked as after the seam.
    """

    def __init__(
        self,
        *,
        run_id: str,
        store: Keeper,
        journal: Journal,
        seen_by_drivers: Callable[[], Sequence[Note]],
        traffic: Callable[[], Mapping[str, int]],
        earlier: Sequence[VisitRecord] | None = None,
    ) -> None:
        self._run_id = run_id
        self._store = store
        self._journal = journal
        self._seen_by_drivers = seen_by_drivers
        self._traffic = traffic
        self._is_at_seam = earlier is not None
        self._unkept: VisitRecord | None = None
        self._changes: list[ConditionChange] = []
        self.visits: list[VisitRecord] = list(earlier or ())

    def intend(self, intent: Intent) -> None:
        """Commit what is about to be done, the visit before it, and what was noted since."""
        finished, self._unkept = self._unkept, None
        self._store.intend(intent, finished)
        self.tell_drivers_notes()
        self._flush()

    def take(self, record: VisitRecord) -> None:
        """Keep a record until the next intent is committed with it."""
        if self._is_at_seam:
            record, self._is_at_seam = replace(record, visit=replace(record.visit, is_after_seam=True)), False
        self.visits.append(record)
        earlier, self._unkept = self._unkept, record
        if earlier is not None:
            self._store.finish_visit(self._run_id, earlier)

    def take_change(self, change: ConditionChange) -> None:
        """Keep a change of a condition that belongs to no visit, until the books are closed."""
        self._changes.append(change)

    def close(self) -> None:
        """Keep what is left to keep. Raises StoreError."""
        unkept, self._unkept = self._unkept, None
        if unkept is not None:
            self._store.finish_visit(self._run_id, unkept)
        for change in self._changes:
            self._store.add_condition_change(self._run_id, change)
        self._changes.clear()
        self._flush()

    def tell_drivers_notes(self) -> None:
        """Note what the drivers saw."""
        for note in self._seen_by_drivers():
            self._journal.note(note.severity, note.what, note.rail)

    def tell_traffic(self) -> None:
        """Say what the links had to do again: a bus that needs retries is no healthy bus."""
        counts = dict(self._traffic())
        messages = counts.pop("messages", 0)
        troubles = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
        if troubles:
            self._journal.note("warning", f"bus traffic: {troubles} in {messages} messages")

    def _flush(self) -> None:
        self._journal.flush(lambda event: self._store.add_event(self._run_id, event))
