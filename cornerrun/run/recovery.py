"""After a device shut a rail down: capture, classify, make safe, clear, turn on again, verify at nominal."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from cornerrun.bench.ports import FaultCapture, SafeReturn, StatusCapture
from cornerrun.clock import Clock
from cornerrun.plan.model import Plan
from cornerrun.results.records import Fault
from cornerrun.run.faults import UNDETERMINED, classify, is_latched, is_off, own_faults
from cornerrun.run.journal import Journal
from cornerrun.run.originator import feeders
from cornerrun.run.power_cycling import PowerCycling
from cornerrun.run.sequence import Trouble
from cornerrun.run.status_notes import registers_text
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed, explain
from cornerrun.run.way_back import WayBack

__all__ = ["Evidence", "Recovery"]

_OFF_S = 0.1  # chosen: shared fault lines let go, and outputs fall, before rails are turned on again
_STABLE_PERIODS = 1.5  # chosen: long enough that a try which is due has been made


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What was captured of a fault, and what it says.

    ``down`` are the rails that deliver no power, ``affected`` those and the ones that show a fault. ``is_latched``
    tells that every response byte says so; what is not known to be latched may turn on by itself.
    """

    fault: Fault
    down: tuple[str, ...]
    affected: tuple[str, ...]
    is_severe: bool
    is_latched: bool


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
        clock: Clock,
        journal: Journal,
        cycling: PowerCycling | None = None,
    ) -> None:
        self._cycling = cycling
        self._retry_period_s = plan.policy.retry_period_s
        self._order = tuple(rail.name for rail in plan.rails)
        self._fed_by = feeders(plan)
        self._faults = faults
        self._safety = safety
        self._way_back = way_back
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal

    def make_safe(self, return_order: Sequence[Sequence[str]]) -> None:
        """Bring what can be brought to nominal there, before anything is captured. Never raises."""
        with self._way_back.shielded():
            self._go_home(return_order)

    def evidence(self, alarm: Alarmed, *, visit: int, moving: Sequence[str]) -> Evidence:
        """Capture every rail and classify. Never raises: where nothing can be read, that is what is kept."""
        at_s = self._journal.elapsed_s()
        try:
            began_s = self._journal.started_s
            captures = tuple(replace(one, taken_at_s=one.taken_at_s - began_s) for one in self._faults.capture())
        except Exception as error:
            self._journal.note("error", f"no evidence could be captured: {explain(error)}")
            captures = ()
        return self._classified(alarm, captures, visit=visit, moving=moving, at_s=at_s)

    def tell_evidence(self, error: BaseException) -> None:
        """Capture what devices say of trouble on the way back, for the events of the run. Never raises.

        Not where a voltage is beyond a hard limit: then the rails go off first.
        """
        if isinstance(error, Alarmed) and error.trouble is Trouble.HARD_LIMIT:
            return
        alarm = error if isinstance(error, Alarmed) else Alarmed(Trouble.FAILED_RETURN, explain(error))
        evidence = self.evidence(alarm, visit=-1, moving=())
        if evidence.affected and evidence.fault.captures:
            fault = evidence.fault
            self._journal.note("error", f"on the way back: {fault.kind}, originator: {fault.originator} ({fault.why})")

    def recover(self, evidence: Evidence, return_order: Sequence[Sequence[str]]) -> Evidence:
        """Bring a board back whose evidence is kept: all rails on, at nominal, settled, no fault.

        Where a device may try again by itself, it is given the time to, and "no fault" counts only after a time in
        which it would have tried once more: between two tries everything looks good.

        Where the plan says how the board is turned on, it is power-cycled too, and must be ready.

        Raises UnsafeState or what the supervisor raises if it does not come back; the board must then go off. NotReady
        if the board stays silent: its rails are at nominal. Returns the evidence, with those that went down later.
        """
        with self._way_back.shielded():
            while True:
                try:
                    self._recover(evidence, return_order)
                except Alarmed as alarm:
                    if alarm.trouble is not Trouble.TRIP or not set(alarm.rails).isdisjoint(evidence.affected):
                        raise
                    # A slow fault line takes its time: others go down after the evidence was captured.
                    late = self.evidence(alarm, visit=evidence.fault.visit, moving=())
                    if late.is_severe:
                        raise
                    evidence = _joined(evidence, late)
                else:
                    break
        self._journal.note("note", "the board was brought back to nominal after a trip")
        return evidence

    def _recover(self, evidence: Evidence, return_order: Sequence[Sequence[str]]) -> None:
        self._go_home(return_order)
        down = [rail for rail in self._order if rail in evidence.down]
        if down and not evidence.is_latched:
            down = self._not_risen(down, evidence.affected)
        self._faults.clear(evidence.affected)
        if down:
            # A latched output starts again only if it is commanded off and on (PMBus 1.2 Part II, section 10.7).
            self._safety.turn_off(down)
            self._supervisor.expect_rise(down)
            self._supervisor.wait_until(self._clock.now_s() + _OFF_S)
            self._faults.turn_on(down)
        self.at_nominal()
        self._cycle()
        if not evidence.is_latched:
            self._supervisor.wait_until(self._clock.now_s() + _STABLE_PERIODS * self._retry_period_s)

    def bring_up(self) -> bool:
        """Turn a board off and on that does not answer at nominal, until it is ready; False if the plan has no way to.

        Raises what `PowerCycling.bring_up` does.
        """
        with self._way_back.shielded():
            return self._cycle()

    def _cycle(self) -> bool:
        if self._cycling is None:
            return False
        self._cycling.bring_up(self.at_nominal)
        return True

    def at_nominal(self) -> None:
        """Bring every rail to nominal and see it settled there. UnsafeState, and what the supervisor raises."""
        self._safety.to_nominal()
        self._way_back.verify_nominal()

    def _go_home(self, return_order: Sequence[Sequence[str]]) -> None:
        try:
            self._safety.to_nominal(return_order)
        except Exception as error:
            # A rail that is down may refuse to be moved; what counts is the verification at the end.
            self._journal.note("note", f"on the way to nominal, before faults are cleared: {explain(error)}")

    def _not_risen(self, down: Sequence[str], affected: Sequence[str]) -> list[str]:
        """Wait whether rails turn on by themselves, watching all others; return those that don't."""
        self._supervisor.expect_rise(down)
        with self._supervisor.overlooking(affected):
            self._supervisor.wait_until(self._clock.now_s() + _STABLE_PERIODS * self._retry_period_s)
        still = [rail for rail in down if not self._supervisor.is_up(rail)]
        for rail in down:
            tells = "stays off: latched" if rail in still else "turned on by itself: its device tries again"
            self._journal.note("note", f"{rail} {tells}", rail)
        return still

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
        faulty = [capture for capture in captures if own_faults(capture)]
        for capture in captures:
            if capture.rail in affected:
                self._journal.note("error", f"captured: {registers_text(capture)}", capture.rail)
        return Evidence(
            fault=fault,
            down=tuple(capture.rail for capture in captures if is_off(capture)),
            affected=affected,
            is_severe=found.is_severe,
            is_latched=bool(faulty) and all(is_latched(capture) for capture in faulty),
        )


def _joined(first: Evidence, late: Evidence) -> Evidence:
    """Add the rails that went down later to what was captured first; the fault began where it began."""
    affected = tuple(dict.fromkeys((*first.affected, *late.affected)))
    followers = tuple(rail for rail in affected if rail != first.fault.originator)
    return Evidence(
        fault=replace(first.fault, followers=followers),
        down=late.down,
        affected=affected,
        is_severe=first.is_severe,
        is_latched=first.is_latched and late.is_latched,
    )
