"""After a device shut a rail down: capture, classify, make safe, clear, turn on again, verify at nominal."""

from collections.abc import Sequence
from dataclasses import dataclass

from cornerrun.bench.ports import FaultCapture, SafeReturn, StatusCapture
from cornerrun.errors import CornerrunError
from cornerrun.plan.model import Plan
from cornerrun.results.records import Fault
from cornerrun.run.faults import UNDETERMINED, classify, is_off
from cornerrun.run.journal import Journal
from cornerrun.run.originator import feeders
from cornerrun.run.status_notes import registers_text
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed, explain
from cornerrun.run.way_back import WayBack

__all__ = ["Evidence", "Recovery"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What was captured of a fault, and what it says.

    ``down`` are the rails that deliver no power, ``affected`` those and the ones that show a fault.
    """

    fault: Fault
    down: tuple[str, ...]
    affected: tuple[str, ...]
    is_severe: bool


class Recovery:
    """Keep the order that experts keep: freeze, capture, classify, make safe, clear, recover, verify."""

    def __init__(
        self,
        *,
        plan: Plan,
        faults: FaultCapture,
        safety: SafeReturn,
        way_back: WayBack,
        supervisor: Supervisor,
        journal: Journal,
    ) -> None:
        self._order = tuple(rail.name for rail in plan.rails)
        self._fed_by = feeders(plan)
        self._faults = faults
        self._safety = safety
        self._way_back = way_back
        self._supervisor = supervisor
        self._journal = journal

    def evidence(self, alarm: Alarmed, *, visit: int, moving: Sequence[str]) -> Evidence:
        """Capture every rail and classify. Never raises: where nothing can be read, that is what is kept."""
        at_s = self._journal.elapsed_s()
        try:
            captures = self._faults.capture()
        except Exception as error:
            self._journal.note("error", f"no evidence could be captured: {explain(error)}")
            captures = ()
        return self._classified(alarm, captures, visit=visit, moving=moving, at_s=at_s)

    def recover(self, evidence: Evidence, return_order: Sequence[Sequence[str]]) -> None:
        """Bring a board back whose evidence is kept: all rails on, at nominal, settled, no fault.

        Raises UnsafeState or what the supervisor raises if it does not come back; the board must then go off.
        """
        with self._way_back.shielded():
            try:
                self._safety.to_nominal(return_order)
            except CornerrunError as error:
                # A rail that is down may refuse to be moved; what counts is the verification at the end.
                self._journal.note("note", f"on the way to nominal, before faults are cleared: {error}")
            self._faults.clear(evidence.affected)
            down = [rail for rail in self._order if rail in evidence.down]
            if down:
                # A latched output starts again only if it is commanded off and on (PMBus 1.2 Part II, section 10.7).
                self._safety.turn_off(down)
                self._supervisor.expect_rise(down)
                self._faults.turn_on(down)
            self._safety.to_nominal()
            self._way_back.verify_nominal()
        self._journal.note("note", "the board was brought back to nominal after a trip")

    def _classified(
        self, alarm: Alarmed, captures: tuple[StatusCapture, ...], *, visit: int, moving: Sequence[str], at_s: float
    ) -> Evidence:
        found = classify(captures, moving, self._fed_by)
        named = {} if found.originator == UNDETERMINED else {found.originator: None}
        affected = tuple({**named, **dict.fromkeys(found.followers)}) or alarm.rails
        fault = Fault(
            visit=visit,
            at_s=at_s,
            kind=found.kind,
            originator=found.originator,
            followers=found.followers,
            why=f"{alarm}; {found.why}",
            captures=captures,
        )
        for capture in captures:
            if capture.rail in affected:
                self._journal.note("error", f"captured: {registers_text(capture)}", capture.rail)
        return Evidence(
            fault=fault,
            down=tuple(capture.rail for capture in captures if is_off(capture)),
            affected=affected,
            is_severe=found.is_severe,
        )
