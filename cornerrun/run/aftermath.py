"""Act on trouble: the board first. What is returned says whether the run may go on from nominal."""

from collections.abc import Sequence
from dataclasses import dataclass

from cornerrun.bench.ports import Telemetry
from cornerrun.plan.model import Plan
from cornerrun.results.records import EndState
from cornerrun.run.faults import STATUS_WORD_OFF
from cornerrun.run.power_cycling import NotReady
from cornerrun.run.recovery import Evidence, Recovery
from cornerrun.run.sequence import WAYS, Phase, Trouble
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed, explain, trouble_of
from cornerrun.run.way_back import WayBack

__all__ = ["Aftermath", "Dealt"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Dealt:
    """How trouble was dealt with.

    ``trouble`` is what it turned out to be. ``state`` None: the board is at nominal, or still has to be brought there
    at the end of the run. ``evidence`` is there where a device shut a rail down or a limit was crossed.
    """

    trouble: Trouble
    ends_run: bool
    why: str
    state: EndState | None = None
    evidence: Evidence | None = None


class Aftermath:
    """Do what the table of ways says. Nothing here raises."""

    def __init__(
        self,
        *,
        plan: Plan,
        sequence: PhaseSequence,
        supervisor: Supervisor,
        recovery: Recovery,
        way_back: WayBack,
    ) -> None:
        self._stops_on_trip = plan.policy.on_trip == "stop"
        self._sequence = sequence
        self._supervisor = supervisor
        self._recovery = recovery
        self._way_back = way_back

    def deal(
        self, error: BaseException, *, visit: int, moving: Sequence[str], return_order: Sequence[Sequence[str]]
    ) -> Dealt:
        """Deal with what a visit raised."""
        error = self.what_stands_behind(error)
        trouble, why = trouble_of(error), explain(error)
        way = WAYS[trouble]
        if way.first is Phase.RETURN:
            if way.ends_run:
                return Dealt(trouble=trouble, ends_run=True, why=why)
            return self.bring_back(trouble, why, return_order)
        alarm = error if isinstance(error, Alarmed) else Alarmed(trouble, why)
        if way.first is Phase.RECOVER:
            return self._recover(alarm, visit, moving, return_order)
        return self._power_down(alarm, visit, moving)

    def what_stands_behind(self, error: BaseException) -> BaseException:
        """Look whether a device refused because a rail is down: then that is the trouble, and its evidence counts."""
        if trouble_of(error) is not Trouble.BUS:
            return error
        try:
            self._supervisor.read(self._supervisor.rails)
        except Alarmed as alarm:
            return alarm
        except Exception:
            return error  # the bus does not answer: that is trouble enough
        return error

    def bring_back(self, trouble: Trouble, why: str, return_order: Sequence[Sequence[str]]) -> Dealt:
        """Bring the board to nominal, from where the run may go on; off if that fails."""
        try:
            self._way_back.to_nominal(return_order)
        except BaseException as error:
            return self._failed(error, why, None)
        return Dealt(trouble=trouble, ends_run=WAYS[trouble].ends_run, why=why)

    def bring_up(self, trouble: Trouble, why: str, return_order: Sequence[Sequence[str]]) -> Dealt:
        """Bring a board that does not answer to nominal, and turn it off and on where the plan says how."""
        dealt = self.bring_back(trouble, why, return_order)
        if dealt.ends_run:
            return dealt
        try:
            self._sequence.go(Phase.RECOVER)
            self._recovery.bring_up()
        except NotReady as error:
            return Dealt(trouble=trouble, ends_run=True, why=f"{why}; {error}")
        except BaseException as error:
            return self._failed(error, why, None)
        return dealt

    def _recover(
        self, alarm: Alarmed, visit: int, moving: Sequence[str], return_order: Sequence[Sequence[str]]
    ) -> Dealt:
        self._sequence.go(Phase.RECOVER)
        if not all(_is_off(self._supervisor.last(rail)) for rail in alarm.rails):
            # A device that has turned its output on again has made nothing safe.
            self._recovery.make_safe(return_order)
        evidence = self._recovery.evidence(alarm, visit=visit, moving=moving)
        if evidence.is_severe:
            return self._off(Trouble.SEVERE_TRIP, _told(alarm, evidence), evidence)
        try:
            evidence = self._recovery.recover(evidence, return_order)
        except NotReady as error:
            why = f"{_told(alarm, evidence)}; {error}"
            return Dealt(trouble=Trouble.TRIP, ends_run=True, why=why, evidence=evidence)
        except BaseException as error:
            return self._failed(error, _told(alarm, evidence), evidence)
        return Dealt(trouble=Trouble.TRIP, ends_run=self._stops_on_trip, why=_told(alarm, evidence), evidence=evidence)

    def _power_down(self, alarm: Alarmed, visit: int, moving: Sequence[str]) -> Dealt:
        """Turn off. Rails that a device has shut down already can wait for the evidence; rails still on cannot."""
        if alarm.trouble is Trouble.SUPERVISION:
            return self._off(alarm.trouble, str(alarm), None)
        evidence: Evidence | None = None
        if alarm.rails and all(_is_off(self._supervisor.last(rail)) for rail in alarm.rails):
            evidence = self._recovery.evidence(alarm, visit=visit, moving=moving)
        state, failed = self._way_back.turn_off()
        if evidence is None:
            evidence = self._recovery.evidence(alarm, visit=visit, moving=moving)
        why = _told(alarm, evidence)
        return Dealt(
            trouble=alarm.trouble,
            ends_run=True,
            why=f"{why}; {failed}" if failed else why,
            state=state,
            evidence=evidence,
        )

    def _failed(self, error: BaseException, why: str, evidence: Evidence | None) -> Dealt:
        told = f"{why}; the board did not come back to nominal: {explain(error)}"
        self._recovery.tell_evidence(error)
        return self._off(Trouble.FAILED_RETURN, told, evidence)

    def _off(self, trouble: Trouble, why: str, evidence: Evidence | None) -> Dealt:
        state, failed = self._way_back.turn_off()
        return Dealt(
            trouble=trouble,
            ends_run=True,
            why=f"{why}; {failed}" if failed else why,
            state=state,
            evidence=evidence,
        )


def _told(alarm: Alarmed, evidence: Evidence) -> str:
    return f"{alarm} (originator: {evidence.fault.originator})"


def _is_off(reading: Telemetry | None) -> bool:
    return reading is not None and bool((reading.status_word or 0) & STATUS_WORD_OFF)
