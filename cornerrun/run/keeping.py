"""What the run asks of whatever keeps its results."""

from typing import Protocol

from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import Event, Intent, VisitRecord

__all__ = ["Keeper"]


class Keeper(Protocol):
    """What the run asks of a store; each call is one transaction. StoreError says where what it failed to keep is."""

    def intend(self, intent: Intent, finished: VisitRecord | None = None) -> None:
        """Keep what is about to be done, together with the visit that has just ended."""
        ...

    def finish_visit(self, run_id: str, record: VisitRecord) -> None:
        """Keep all rows of a visit."""
        ...

    def add_condition_change(self, run_id: str, change: ConditionChange) -> None:
        """Keep a change of a condition that belongs to no visit."""
        ...

    def add_event(self, run_id: str, event: Event) -> None:
        """Keep an event."""
        ...
