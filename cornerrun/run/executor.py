"""Perform the steps of a run, and be safe on every way out."""

from collections.abc import Callable, Mapping, Sequence

from cornerrun.bench.ports import Baseline, Note, RailPower
from cornerrun.clock import Clock
from cornerrun.corners.model import Step
from cornerrun.errors import NotAtNominal, StoreError
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.results.records import EndState, Intent, Outcome, VisitRecord
from cornerrun.run.aftermath import Aftermath, Dealt
from cornerrun.run.barring import Barred
from cornerrun.run.bookkeeping import Bookkeeper
from cornerrun.run.checking import Checking
from cornerrun.run.climate import Climate
from cornerrun.run.controls import Controls
from cornerrun.run.ended import Ended, Halt
from cornerrun.run.fault_trials import FaultTrials
from cornerrun.run.faults import STATUS_WORD_OFF
from cornerrun.run.itinerary import Itinerary
from cornerrun.run.journal import Journal
from cornerrun.run.keeping import Keeper
from cornerrun.run.moving import Mover
from cornerrun.run.progress import StepStarted, VisitEnded
from cornerrun.run.proof import WiringProof
from cornerrun.run.resting import Resting
from cornerrun.run.resuming import Resumed
from cornerrun.run.sequence import WAYS, Phase, Trouble
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.staging import Stages, Staging
from cornerrun.run.status_notes import StatusNotes
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import explain, trouble_of
from cornerrun.run.visit import Visitor
from cornerrun.run.way_back import WayBack

__all__ = ["Executor"]

# Whole visits after which the board goes to nominal and a control point proves it, with the trouble that they are.
_PROVEN_AFTER = frozenset({Outcome.NOT_SETTLED, Outcome.NO_ANSWER})


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
        self._books = Bookkeeper(
            run_id=run_id,
            store=store,
            journal=journal,
            seen_by_drivers=seen_by_drivers,
            traffic=traffic,
            earlier=None if resumed is None else resumed.earlier,
        )
        self._baseline = baseline
        self._power = power
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
        self._resting = Resting(
            climate=climate,
            way_back=way_back,
            sequence=sequence,
            supervisor=supervisor,
            aftermath=aftermath,
            keep=self._books.take_change,
        )
        self._proof = proof
        self._controls = Controls(plan)
        self._barred = Barred(plan.policy)
        self._return_order: Sequence[Sequence[str]] = ()
        self._bad_controls = 0
        self._has_good_control = False
        self._itinerary = Itinerary(plan, ())
        self._resumed = resumed
        self._stages = None if staging is None else Stages(staging, self._books.visits, journal)

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
            if halt.trouble is None and halt.state is None:
                halt = self._rest(halt)
        except BaseException as error:  # whatever it was, the board comes first
            halt = Halt(trouble=trouble_of(error), why=explain(error))
        return self._end(halt)

    def _recall(self, resumed: Resumed) -> None:
        """Know what an earlier part of the run knew; a control point proves the board before the next step."""
        self._has_good_control = self._controls.recall(resumed.earlier)
        self._itinerary = Itinerary(
            self._plan,
            resumed.left,
            first_inserted=self._stages.reserved if self._stages else len(resumed.planned),
            next_inserted=resumed.next_ordinal,
        )
        for step, is_pending in resumed.tripped():
            if self._barred.tripped(step, may_go_on=True) and is_pending:
                self._itinerary.again(step)
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

    def _walk(self) -> Halt:
        """Perform what is queued, until it is done or something ends it."""
        started_s, earlier = self._clock.now_s(), len(self._books.visits)
        while (step := self._itinerary.next()) is not None:
            halt: Halt | None = None
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
            if reason := self._barred.reason(step):
                record = self._visitor.left_out(step, reason)
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
                self._books.take(record)
                each_s = (self._clock.now_s() - started_s) / (len(self._books.visits) - earlier)
                self._journal.tell(VisitEnded(record=record, left_s=each_s * len(self._itinerary)))
            if halt is not None:
                return halt
            ahead = None if self._stages is None else self._stages.ahead(step, self._books.visits)
            if ahead is not None:
                self._itinerary.go_on(ahead)
        return Halt(trouble=None, why="")

    def _prove(self, proof: WiringProof, ordinal: int) -> Halt | None:
        """Do the wiring proof; one that fails, or can't be finished, ends the run."""
        try:
            proof.prove(ordinal)
        except BaseException as error:
            dealt = self._aftermath.deal(error, visit=ordinal, moving=proof.moving, return_order=self._return_order)
            self._journal.note("error", dealt.why)
            return Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state)
        return None

    def _provoke(self, trials: FaultTrials, step: Step) -> Halt | None:
        """Provoke the faults of the plan from a proven nominal; the step, put back, comes after a control point."""
        dealt = self._aftermath.bring_back(Trouble.CHECK, "before faults are provoked", self._return_order)
        if dealt.ends_run:
            return self._halt(dealt)
        try:
            trials.perform(step.ordinal)
        except BaseException as error:
            dealt = self._aftermath.deal(error, visit=step.ordinal, moving=(), return_order=())
            self._journal.note("error", dealt.why)
            return Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state)
        self._itinerary.put_back(step)
        self._itinerary.prove()
        return None

    def _perform(self, step: Step) -> VisitRecord:
        self._sequence.go(Phase.INTENT)
        self._return_order = step.return_order or self._return_order
        self._books.intend(Intent(run_id=self._run_id, step=step, at_utc=self._clock.utc_now()))
        self._supervisor.tick()
        off_nominal = sum(1 for item in step.corner.levels if item.level != NOMINAL)
        self._journal.tell(StepStarted(step=step, off_nominal=off_nominal))
        return self._visitor.visit(step)

    def _broken_off(self, step: Step, error: BaseException) -> tuple[VisitRecord | None, Halt | None]:
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
        is_trip = trouble is Trouble.TRIP and not step.is_control
        if is_trip and self._barred.tripped(step, may_go_on=not dealt.ends_run):
            self._itinerary.again(step)
        halt = self._halt(dealt)
        if halt is None and step.is_control:
            self._bad_controls += 1
            halt = self._control_is_out(step, dealt.why)
        self._itinerary.prove()
        return record, halt

    def _after(self, step: Step, record: VisitRecord) -> Halt | None:
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
            return Halt(trouble=None, why=f"ended at the first failure, as the plan asks: {step.corner.name}")
        return None

    def _judge_control(self, step: Step, record: VisitRecord) -> Halt | None:
        point = self._controls.judge(record)
        if point is None or point.is_good:
            self._has_good_control = self._has_good_control or point is not None
            self._bad_controls = 0
            return None
        self._bad_controls += 1
        self._journal.note("error", f"control point out at visit {point.visit}: {point.why}")
        self._itinerary.prove()
        return self._control_is_out(step, point.why)

    def _control_is_out(self, step: Step, why: str) -> Halt | None:
        if self._has_good_control and self._bad_controls < 2:
            return None
        return Halt(trouble=None, why=f"control point out at visit {step.ordinal} ({why}); nothing after it counts")

    def _rest(self, halt: Halt) -> Halt:
        """Bring conditions to rest at the end of a whole run."""
        dealt = self._resting.rest(self._return_order)
        if dealt is None:
            return halt
        why = "; ".join(part for part in (halt.why, dealt.why) if part)
        return Halt(trouble=dealt.trouble, why=why, state=dealt.state)

    def _halt(self, dealt: Dealt) -> Halt | None:
        return Halt(trouble=dealt.trouble, why=dealt.why, state=dealt.state) if dealt.ends_run else None

    def _end(self, halt: Halt) -> Ended:
        """Bring the board to its end, then keep what is left to keep."""
        books, trouble, state, reasons = self._books, halt.trouble, halt.state, [halt.why]
        if state is None and self._sequence.may_have_moved:
            state, failed = self._way_back.end(self._baseline, self._return_order)
            reasons.append(failed)
        for last in (self._climate.release, self._checking.end_run, books.tell_drivers_notes, books.tell_traffic):
            try:
                last()
            except BaseException as error:  # the board is where it will be; the rest is only told
                self._journal.note("error", explain(error))
        try:
            books.close()
        except StoreError as error:
            reasons.append(str(error))
            trouble = trouble or Trouble.STORE
        return Ended(
            visits=tuple(books.visits),
            trouble=trouble,
            end_state=state or EndState.NOMINAL,
            why="; ".join(dict.fromkeys(reason for reason in reasons if reason)),
        )
