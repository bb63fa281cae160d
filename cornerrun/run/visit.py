"""Perform one visit: conditions, moves, settling, measurement, checks; each part watched."""

from collections.abc import Collection, Sequence

from cornerrun.bench.ports import BoardUnderTest
from cornerrun.clock import Clock
from cornerrun.corners.model import ConditionLevel, RailLevel, Step
from cornerrun.corners.trim import WARM_UP
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.results.records import Fault, Outcome, VisitRecord
from cornerrun.run.checking import Checking
from cornerrun.run.climate import Climate
from cornerrun.run.draft import Draft, Frozen, Reference
from cornerrun.run.failed_hold import FailedHold
from cornerrun.run.judging import NO_CHECKS_AFTER, RailVerdict, first_by_precedence
from cornerrun.run.measuring import Measurer
from cornerrun.run.moving import Mover
from cornerrun.run.power_cycling import NotReady
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.settling import State
from cornerrun.run.status_notes import StatusNotes
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.warming import Warming

__all__ = ["Visitor"]

_CONTROL_SWEEPS = 4  # chosen: without a meter, drift is told from noise by the mean of so many conversions


class Visitor:
    """Perform visits one after another; after trouble, make the record of the one that broke off."""

    def __init__(
        self,
        *,
        plan: Plan,
        reference: Reference,
        mover: Mover,
        measurer: Measurer,
        supervisor: Supervisor,
        climate: Climate,
        notes: StatusNotes,
        checking: Checking,
        sequence: PhaseSequence,
        clock: Clock,
        started_s: float,
        hold_s: float = 0.0,
        failed_hold: FailedHold | None = None,
        warming: Warming | None = None,
        board: BoardUnderTest | None = None,
    ) -> None:
        self._board = board
        self._plan = plan
        self._rails = {rail.name: rail for rail in plan.rails}
        self._reference = reference
        self._mover = mover
        self._measurer = measurer
        self._supervisor = supervisor
        self._climate = climate
        self._notes = notes
        self._checking = checking
        self._sequence = sequence
        self._clock = clock
        self._started_s = started_s
        self._hold_s = hold_s
        self._failed_hold = failed_hold
        self._warming = warming
        self._draft: Draft | None = None
        self._frozen: Frozen | None = None
        self._commanded_at_s = started_s
        self.moving: tuple[str, ...] = ()
        self.must_warm = False

    def visit(self, step: Step) -> VisitRecord:
        """Perform a step. Raises what ends a visit; `broken_off` then makes its record."""
        draft = self.open(step)
        if self._board is not None:
            self._board.begin_visit(step.ordinal, step.corner.name)
        self._supervisor.begin("settle")
        has_settled = self._reach(draft, step)
        if draft.has_failed_boot:
            self._sequence.go(Phase.MOVE)
        self._sequence.go(Phase.MEASURE)
        if has_settled and self._warming is not None and (step.corner.scheme == WARM_UP or self.must_warm):
            self.must_warm = False
            self._supervisor.begin("warm-up")
            with draft.timed("warm-up"):
                self._warming.wait()
        self._supervisor.begin("measure")
        with draft.timed("measure"):
            self._measure(draft)
        if self._hold_s and has_settled and not step.is_control:
            self._supervisor.begin("hold")
            with draft.timed("hold"):
                self._supervisor.wait_until(self._clock.now_s() + self._hold_s)
        if draft.has_failed_boot:
            self._checking.leave_out(draft, "the board was not ready")
        elif first_by_precedence(reading.outcome for reading in draft.readings) not in NO_CHECKS_AFTER:
            self._checking.run(draft)
        else:
            self._checking.leave_out(draft, "the rails did not get there")
        if self._failed_hold is not None and not step.is_control:
            self._failed_hold.hold(draft)
        record = draft.finished(self._supervisor.take_ranges())
        self._draft = None
        return record

    def open(self, step: Step) -> Draft:
        """Begin the record of a visit."""
        self._draft = Draft(reference=self._reference, step=step, clock=self._clock, run_started_s=self._started_s)
        self.moving = ()
        return self._draft

    def freeze(self) -> None:
        """Keep levels and readings as they are now, before the way back changes them."""
        self._frozen = Frozen(
            levels=dict(self._mover.levels),
            last={rail: reading for rail in self._supervisor.rails if (reading := self._supervisor.last(rail))},
            watched=self._supervisor.take_ranges(),
        )

    def broken_off(
        self, outcome: Outcome, reason: str, *, tripped: Collection[str] = (), faults: Sequence[Fault] = ()
    ) -> VisitRecord:
        """Make the record of the visit that ended in trouble, with all that was seen until it was frozen."""
        if self._draft is None or self._frozen is None:
            raise RuntimeError("no visit was broken off")
        record = self._draft.broken_off(
            RailVerdict(outcome=outcome, reason=reason), frozen=self._frozen, tripped=tripped, faults=faults
        )
        self._draft = self._frozen = None
        return record

    def left_out(self, step: Step, reason: str) -> VisitRecord:
        """Make the record of a visit that is not made."""
        draft = self.open(step)
        self._draft = None
        return draft.left_out(reason)

    def _reach(self, draft: Draft, step: Step) -> bool:
        """Bring conditions and rails where the step wants them; tell whether all settled."""
        moves, conditions = step.moves, step.corner.conditions
        if self._climate.needs(conditions):
            rest = next((place for place, burst in enumerate(moves) if not _is_to_nominal(burst)), len(moves))
            if not self._go(draft, moves[:rest]):
                return False
            self._sequence.go(Phase.CONDITION)
            if not self._reach_conditions(draft, conditions):
                return False
            moves = moves[rest:]
        if not moves:
            self._sequence.go(Phase.MOVE)
        has_settled = self._go(draft, moves)
        draft.conditions = self._climate.read(conditions)
        return has_settled

    def _reach_conditions(self, draft: Draft, conditions: Sequence[ConditionLevel]) -> bool:
        """Set conditions; False if the board, turned on where they are, does not show that it is ready."""
        try:
            self._climate.reach(conditions, timed=draft.timed)
        except NotReady as error:
            draft.fails_boot(str(error))
            return False
        finally:
            draft.changes = (*draft.changes, *self._climate.take_changes())
        return True

    def _go(self, draft: Draft, bursts: Sequence[Sequence[RailLevel]]) -> bool:
        """Move burst after burst, each once the one before has settled; False after one that did not settle."""
        for burst in bursts:
            self._sequence.go(Phase.MOVE)
            self.moving = tuple(item.rail for item in burst)
            with draft.timed("move"):
                self._mover.move(burst)
            self._commanded_at_s = self._clock.now_s()
            self._sequence.go(Phase.SETTLE)
            with draft.timed("settle"):
                settled = self._mover.settle(self._mover.with_followers(self.moving))
            self.moving = ()
            draft.take_settled(settled)
            if any(result.state is not State.SETTLED for result in settled.values()):
                return False
        return True

    def _measure(self, draft: Draft) -> None:
        self._notes.before_sweep()
        moved = self._mover.with_followers(item.rail for burst in draft.step.moves for item in burst)
        blind = [rail for rail in moved if rail not in draft.settled]
        conditions = draft.step.corner.condition_levels()
        timeout_s = max((self._rails[rail].settle_in(conditions).timeout_s for rail in blind), default=0.0)
        measured = self._measurer.measure(
            followers={rail: self._mover.target_v(rail) for rail in blind},
            settled_by_s=self._commanded_at_s + timeout_s,
            sweeps=_CONTROL_SWEEPS if draft.step.is_control else 1,
        )
        draft.telemetry, draft.means, draft.references = measured.telemetry, measured.means, measured.references
        draft.clamped = self._notes.look(draft.step.corner.name, measured.telemetry.values())
        draft.judge_rails(self._mover.levels)


def _is_to_nominal(burst: Sequence[RailLevel]) -> bool:
    return all(item.level == NOMINAL for item in burst)
