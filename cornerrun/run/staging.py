"""The stages of a run: what comes after the outcomes of one is laid out when it ends."""

from collections.abc import Callable, Sequence

from cornerrun.corners.model import Step
from cornerrun.corners.stages import Staged
from cornerrun.results.records import VisitRecord
from cornerrun.run.journal import Journal

__all__ = ["Stages", "Staging"]

Staging = Callable[[Sequence[VisitRecord]], Staged]
"""Lays out a staged run from the visits that were made."""


class Stages:
    """Know the layout of a staged run, and make it anew when one ends; ``earlier`` visits are made already."""

    def __init__(self, staging: Staging, earlier: Sequence[VisitRecord], journal: Journal) -> None:
        self._staging = staging
        self._journal = journal
        self._now = staging(earlier)

    @property
    def reserved(self) -> int:
        """How many numbers are set aside for steps."""
        return self._now.reserved

    def ahead(self, step: Step, visits: Sequence[VisitRecord]) -> list[Step] | None:
        """Tell the steps that the outcomes leave, if ``step`` ended a stage; None if it did not."""
        before = self._now
        if step.ordinal not in before.ends:
            return None
        self._now = now = self._staging(visits)
        if len(now.steps) > now.reserved:
            raise RuntimeError("a stage takes more steps than numbers were set aside for")
        told = {item.reason for item in before.selection.not_runnable}
        for reason in dict.fromkeys(item.reason for item in now.selection.not_runnable):
            if reason not in told:
                self._journal.note("warning", f"stages: {reason}; left out from here on")
        return [ahead for ahead in now.steps if ahead.ordinal > step.ordinal]
