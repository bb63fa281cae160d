"""Perform the steps of a run, and be safe on every way out."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from cornerrun.bench.ports import Baseline, Note, RailPower
from cornerrun.clock import Clock
from cornerrun.corners.model import Step
from cornerrun.corners.stages import Staged
from cornerrun.errors import NotAtNominal, StoreError
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.results.records import EndState, Event, Intent, Outcome, VisitRecord
from cornerrun.run.aftermath import Aftermath, Dealt
from cornerrun.run.checking import Checking
from cornerrun.run.climate import Climate
from cornerrun.run.controls import Controls
from cornerrun.run.fault_trials import FaultTrials
from cornerrun.run.faults import STATUS_WORD_OFF
from cornerrun.run.itinerary import Itinerary
from cornerrun.run.journal import Journal
from cornerrun.run.keeping import Keeper
from cornerrun.run.moving import Mover
from cornerrun.run.progress import StepStarted, VisitEnded
from cornerrun.run.proof import WiringProof
from cornerrun.run.resuming import Resumed
from cornerrun.run.sequence import WAYS, Phase, Trouble
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.status_notes import StatusNotes
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import explain, trouble_of
from cornerrun.run.visit import Visitor
from cornerrun.run.way_back import WayBack

__all__ = ["Ended", "Executor", "Staging"]

# Lays out a staged run from the visits that were made.
Staging = Callable[[Sequence[VisitRecord]], Staged]

# Whole visits after which the board goes to nominal and a control point proves it, with the trouble that they are.
_PROVEN_AFTER = frozenset({Outcome.NOT_SETTLED, Outcome.NO_ANSWER})


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """How the steps ended: what cut them short if anything did, and where the board is."""

    visits: tuple[VisitRecord, ...]
    trouble: Trouble | None
    end_state: EndState
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class _Halt:
    """Why no further step is made. ``state`` None: the board still has to be brought to its end."""

    trouble: Trouble | None
    why: str
    state: EndState | None = None


class Executor:
    """Perform steps in order. Whatever happens, `run` returns with the board at nominal or off, or says that it is not.

    An intent is committed before the first write of its step, together with the rows of the visit before. After
    trouble that does not end the run, the board is brought to nominal and a control point, numbered after the planned
    steps, proves it before the next step. A control point that is out is repeated once; a second one that is out, or a
    first one of all, ends the run: nothing after it could be trusted.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        run_id: str,
        baseline: Baseline,
        store: Keeper,
        power: RailPower,
        traffic: Callable[[], Mapping[str, int]],
        seen_by_drivers: Callable[[], Sequence[Note]],
        clock: Clock,
        journal: Journal,
        sequence: PhaseSequence,
        supervisor: Supervisor,
        mover: Mover,
        climate: Climate,
        notes: StatusNotes,
        visitor: Visitor,
        checking: Checking,
        way_back: WayBack,
        aftermath: Aftermath,
        proof: WiringProof | None = None,
        resumed: Resumed | None = None,
        fault_trials: FaultTrials | None = None,
        staging: Staging | None = None,
    ) -> None:
        self._fault_trials = fault_trials
        self._plan = plan
        self._run_id = run_id
        self._baseline = baseline
        self._store = store
        self._power = power
        self._traffic = traffic
        self._seen_by_drivers = seen_by_drivers
        self._clock = clock
        self._journal = journal
        self._sequence = sequence
        self._supervisor = supervisor
        self._mover = mover
        self._climate = climate
        self._notes = notes
        self._visitor = visitor
        self._checking = checking
        self._way_back = way_back
        self._aftermath = aftermath
        self._proof = proof
        self._controls = Controls(plan)
        self._visits: list[VisitRecord] = []
        self._unkept: VisitRecord | None = None
        self._barred: dict[str, str] = {}
        self._trips: Counter[str] = Counter()
        self._return_order: Sequence[Sequence[str]] = ()
        self._bad_controls = 0
        self._has_good_control = False
        self._itinerary = Itinerary(plan, ())
        self._resumed = resumed
        self._is_at_seam = resumed is not None
        self._staging = staging
        self._stages = staging(resumed.earlier if resumed is not None else ()) if staging is not None else None

    def run(self, steps: Sequence[Step], *, before: Callable[[], None] = lambda: None) -> Ended:
        """Perform steps, then bring the board back; ``before`` is done first, with nothing moved. Never raises."""
        self._itinerary = Itinerary(self._plan, steps, first_inserted=self._stages.reserved if self._stages else 0)
        try:
            if self._resumed is not None:
                self._recall(self._resumed)
            before()
            self._look_before()
            self._checking.begin_run()
            halt = self._walk()
        except BaseException as error:  # whatever it was, the board comes first
            halt = _Halt(trouble=trouble_of(error), why=explain(error))
        return self._end(halt)

    def _recall(self, resumed: Resumed) -> None:
        """Know what an earlier part of the run knew; a control point proves the board before the next step."""
        self._visits.extend(resumed.earlier)
        self._has_good_control = self._controls.recall(resumed.earlier)
        self._itinerary = Itinerary(
            self._plan,
            resumed.left,
            first_inserted=self._stages.reserved if self._stages else len(resumed.planned),
            next_inserted=resumed.next_ordinal,
        )
        for step, is_pending in resumed.tripped():
            self._bar(step, may_go_on=True, is_pending=is_pending)
        self._itinerary.prove()
        self._visitor.must_warm = True

    def _look_before(self) -> None:
        """Keep and clear the status bits that stand before anything has moved."""
        rails = self._supervisor.rails
        self._notes.learn(self._power.read(rails))
        left = self._power.read(rails)
        off = [reading.rail for reading in left if (reading.status_word or 0) & STATUS_WORD_OFF]
        if off:
            raise NotAtNominal(f"off before the run: {', '.join(off)}; see their captured status, and turn them on")
        self._supervisor.known_status(self._notes.know(left))

    def _walk(self) -> _Halt:
        """Perform what is queued, until it is done or something ends it."""
        started_s, earlier = self._clock.now_s(), len(self._visits)
        while (step := self._itinerary.next()) is not None:
            halt: _Halt | None = None
            if self._proof is not None and self._proof.is_due:
                halt = self._prove(self._proof, step.ordinal)
                if halt is not None:
                    return halt
            if self._fault_trials is not None and self._fault_trials.is_due and self._has_good_control:
                halt = self._provoke(self._fault_trials, step)
                if halt is not None:
                    return halt
                continue
            record: VisitRecord | None
            if step.corner.name in self._barred and not step.is_control:
                record = self._visitor.left_out(step, self._barred[step.corner.name])
                self._itinerary.leave_out()
            else:
                step = self._itinerary.laid_out(
                    step,
                    self._mover.levels,
                    changes_conditions=self._climate.needs(step.corner.conditions),
                )
                try:
                    record = self._perform(step)
                except BaseException as error:
                    record, halt = self._broken_off(step, error)
                else:
                    halt = self._after(step, record)
            if record is not None:
                self._take(record)
                each_s = (self._clock.now_s() - started_s) / (len(self._visits) - earlier)
                self._journal.tell(VisitEnded(record=record, left_s=each_s * len(self._itinerary)))
            if halt is not None:
                return halt
            self._end_stage(step)
        return _Halt(trouble=None, why="")

    def _end_stage(self, step: Step) -> None:
        """Go on with what the outcomes of a stage leave, if the step ended one."""
        before = self._stages
        if self._staging is None or before is None or step.ordinal not in before.ends:
            return
        self._stages = now = self._staging(self._visits)
        if len(now.steps) > now.reserved:
            raise RuntimeError("a stage takes more steps than numbers were set aside for")
        told = {item.reason for item in before.selection.not_runnable}
        for reason in dict.fromkeys(item.reason for item in now.selection.not_runnable):
            if reason not in told:
                self._journal.note("warning", f"stages: {reason}; left out from here on")
        self._itinerary.go_on([ahead for ahead in now.steps if ahead.ordinal > step.ordinal])

    def _prove(self, proof: WiringProof, ordinal: int) -> _Halt | None:
        """Do the wiring proof; one that fails, or can't be finished, ends the run."""
        try:
            proof.prove(ordinal)
        except BaseException as error:
            dealt = self._aftermath.deal(error, visit=ordinal, moving=proof.moving, return_order=self._return_order)
            self._journal.note("error", dealt.why)
            return _Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state)
        return None

    def _provoke(self, trials: FaultTrials, step: Step) -> _Halt | None:
        """Provoke the faults of the plan from a proven nominal; the step, put back, comes after a control point."""
        dealt = self._aftermath.bring_back(Trouble.CHECK, "before faults are provoked", self._return_order)
        if dealt.ends_run:
            return self._halt(dealt)
        try:
            trials.perform(step.ordinal)
        except BaseException as error:
            dealt = self._aftermath.deal(error, visit=step.ordinal, moving=(), return_order=())
            self._journal.note("error", dealt.why)
            return _Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state)
        self._itinerary.put_back(step)
        self._itinerary.prove()
        return None

    def _perform(self, step: Step) -> VisitRecord:
        self._sequence.go(Phase.INTENT)
        self._return_order = step.return_order or self._return_order
        intent = Intent(run_id=self._run_id, step=step, at_utc=self._clock.utc_now())
        finished, self._unkept = self._unkept, None
        self._store.intend(intent, finished)
        self._tell_drivers_notes()
        self._journal.flush(self._keep_event)
        self._supervisor.tick()
        off_nominal = sum(1 for item in step.corner.levels if item.level != NOMINAL)
        self._journal.tell(StepStarted(step=step, off_nominal=off_nominal))
        return self._visitor.visit(step)

    def _broken_off(self, step: Step, error: BaseException) -> tuple[VisitRecord | None, _Halt | None]:
        """Act on trouble: the board first, then the record."""
        was_at_a_corner = self._sequence.is_at_a_corner
        self._visitor.freeze()
        error = self._aftermath.what_stands_behind(error)
        dealt = self._aftermath.deal(
            error, visit=step.ordinal, moving=self._visitor.moving, return_order=self._return_order
        )
        trouble = trouble_of(error)
        self._journal.note("note" if trouble is Trouble.STOP else "error", f"{step.corner.name}: {dealt.why}")
        record: VisitRecord | None = None
        if was_at_a_corner:
            evidence = dealt.evidence
            record = self._visitor.broken_off(
                WAYS[trouble].outcome,
                dealt.why,
                tripped=evidence.affected if evidence is not None and trouble is not Trouble.HARD_LIMIT else (),
                faults=(evidence.fault,) if evidence is not None else (),
            )
            if step.is_control:
                self._controls.judge(record)
        if trouble is Trouble.TRIP and not step.is_control:
            self._bar(step, may_go_on=not dealt.ends_run)
        halt = self._halt(dealt)
        if halt is None and step.is_control:
            self._bad_controls += 1
            halt = self._control_is_out(step, dealt.why)
        self._itinerary.prove()
        return record, halt

    def _bar(self, step: Step, *, may_go_on: bool, is_pending: bool = True) -> None:
        """Visit a corner that tripped again, as often as the plan allows; then no more."""
        name = step.corner.name
        self._trips[name] += 1
        policy = self._plan.policy
        if may_go_on and policy.on_trip == "retry" and self._trips[name] <= policy.retries:
            if is_pending:
                self._itinerary.again(step)
        else:
            self._barred[name] = _tripped_at(step.ordinal)

    def _after(self, step: Step, record: VisitRecord) -> _Halt | None:
        """Act on how a whole visit ended."""
        visit = record.visit
        if visit.outcome in _PROVEN_AFTER:
            is_silent = visit.outcome is Outcome.NO_ANSWER
            bring = self._aftermath.bring_up if is_silent else self._aftermath.bring_back
            dealt = bring(Trouble.CHECK, visit.reason, self._return_order)
            halt = self._halt(dealt)
            if halt is not None:
                return halt
            self._itinerary.prove()
        if not step.is_control:
            self._controls.add(record)
        else:
            halt = self._judge_control(step, record)
            if halt is not None:
                return halt
        if self._plan.policy.on_fail == "stop" and visit.outcome.is_product_failure:
            return _Halt(trouble=None, why=f"ended at the first failure, as the plan asks: {step.corner.name}")
        return None

    def _judge_control(self, step: Step, record: VisitRecord) -> _Halt | None:
        point = self._controls.judge(record)
        if point is None or point.is_good:
            self._has_good_control = self._has_good_control or point is not None
            self._bad_controls = 0
            return None
        self._bad_controls += 1
        self._journal.note("error", f"control point out at visit {point.visit}: {point.why}")
        self._itinerary.prove()
        return self._control_is_out(step, point.why)

    def _control_is_out(self, step: Step, why: str) -> _Halt | None:
        if self._has_good_control and self._bad_controls < 2:
            return None
        return _Halt(trouble=None, why=f"control point out at visit {step.ordinal} ({why}); nothing after it counts")

    def _halt(self, dealt: Dealt) -> _Halt | None:
        return _Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state) if dealt.ends_run else None

    def _take(self, record: VisitRecord) -> None:
        """Keep a record until the next intent is committed with it."""
        if self._is_at_seam:
            record, self._is_at_seam = replace(record, visit=replace(record.visit, is_after_seam=True)), False
        self._visits.append(record)
        earlier, self._unkept = self._unkept, record
        if earlier is not None:
            self._store.finish_visit(self._run_id, earlier)

    def _keep_event(self, event: Event) -> None:
        self._store.add_event(self._run_id, event)

    def _tell_drivers_notes(self) -> None:
        for note in self._seen_by_drivers():
            self._journal.note(note.severity, note.what, note.rail)

    def _tell_traffic(self) -> None:
        """Say what the links had to do again: a bus that needs retries is no healthy bus."""
        counts = dict(self._traffic())
        messages = counts.pop("messages", 0)
        troubles = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
        if troubles:
            self._journal.note("warning", f"bus traffic: {troubles} in {messages} messages")

    def _end(self, halt: _Halt) -> Ended:
        """Bring the board to its end, then keep what is left to keep."""
        trouble, state, reasons = halt.trouble, halt.state, [halt.why]
        if state is None and self._sequence.may_have_moved:
            state, failed = self._way_back.end(self._baseline, self._return_order)
            reasons.append(failed)
        for last in (self._climate.release, self._checking.end_run, self._tell_drivers_notes, self._tell_traffic):
            try:
                last()
            except BaseException as error:  # the board is where it will be; the rest is only told
                self._journal.note("error", explain(error))
        try:
            unkept, self._unkept = self._unkept, None
            if unkept is not None:
                self._store.finish_visit(self._run_id, unkept)
            self._journal.flush(self._keep_event)
        except StoreError as error:
            reasons.append(str(error))
            trouble = trouble or Trouble.STORE
        return Ended(
            visits=tuple(self._visits),
            trouble=trouble,
            end_state=state or EndState.NOMINAL,
            why="; ".join(dict.fromkeys(reason for reason in reasons if reason)),
        )


def _tripped_at(ordinal: int) -> str:
    return f"it tripped at visit {ordinal}"
