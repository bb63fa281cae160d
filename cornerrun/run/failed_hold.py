"""Hold a board in the state in which it failed, watched, so that a person can probe."""

from cornerrun.clock import Clock
from cornerrun.run.draft import Draft
from cornerrun.run.journal import Journal
from cornerrun.run.judging import judge_visit
from cornerrun.run.sequence import Trouble
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed
from cornerrun.units import Kind, show

__all__ = ["FailedHold"]


class FailedHold:
    """Hold failed visits for ``hold_s`` at most.

    The supervisor watches meanwhile: a trip or a hard limit ends the hold as it would any visit. Who asks for the end
    of the run ends the hold; the visit keeps its outcome, and the run ends at its next safe point.
    """

    def __init__(self, *, hold_s: float, supervisor: Supervisor, clock: Clock, journal: Journal) -> None:
        self._hold_s = hold_s
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal

    def hold(self, draft: Draft) -> None:
        """Hold the board if what the visit has found is a failure of the product."""
        verdict = judge_visit(draft.readings, draft.checks)
        if not verdict.outcome.is_product_failure:
            return
        lasts = show(self._hold_s, Kind.TIME)
        self._journal.note(
            "warning",
            f"{draft.step.corner.name} failed ({verdict.outcome}): held as it is for {lasts}, watched, to be probed; "
            "live rails off nominal: mind hot parts and stored energy; Ctrl-C ends the hold and the run, at nominal",
        )
        self._supervisor.begin("hold")
        with draft.timed("hold"):
            try:
                self._supervisor.wait_until(self._clock.now_s() + self._hold_s)
            except Alarmed as alarm:
                if alarm.trouble is not Trouble.STOP:
                    raise
                self._journal.note("note", "the hold was ended by hand")
