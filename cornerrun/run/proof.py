"""The direction and wiring proof: each rail alone by a small step, before anything is margined."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from cornerrun.clock import Clock
from cornerrun.corners.model import Corner, RailLevel, Step
from cornerrun.errors import GuardRefusal, ProofFailed
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.plan.proof import PROOF_DOWN, PROOF_UP
from cornerrun.results.bench_records import ProofReading, ProofStep
from cornerrun.results.records import Intent
from cornerrun.run.journal import Journal
from cornerrun.run.moving import Mover
from cornerrun.run.proof_readings import ProofReadings, Seen
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.wiring import judge_step, swaps

__all__ = ["WiringProof"]


class WiringProof:
    """Step rails one by one, and compare what moved with what should have.

    ``plan`` has the levels of the proof (`cornerrun.plan.proof`). ``intend`` commits an intent, ``keep`` a step.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        run_id: str,
        mover: Mover,
        readings: ProofReadings,
        sequence: PhaseSequence,
        clock: Clock,
        journal: Journal,
        intend: Callable[[Intent], None],
        keep: Callable[[ProofStep], None],
    ) -> None:
        self._plan = plan
        self._run_id = run_id
        self._mover = mover
        self._readings = readings
        self._sequence = sequence
        self._clock = clock
        self._journal = journal
        self._intend = intend
        self._keep = keep
        self._is_due = plan.proof is not None
        self.moving: tuple[str, ...] = ()

    @property
    def is_due(self) -> bool:
        """Whether the proof has still to be done: before the first control point, which needs the meter wired right."""
        return self._is_due

    def prove(self, ordinal: int) -> None:
        """Step every commanded rail and bring it back; every rail gets its turn before anything is said.

        Raises ProofFailed with all that is wrong, and whatever ends a visit.
        """
        self._is_due = False
        assert self._plan.proof is not None
        home = self._measured_at_home(ordinal)
        steps: list[ProofStep] = []
        for rail in self._plan.commanded_rails:
            step, home = self._step(rail.name, ordinal, home)
            step = replace(step, troubles=judge_step(self._plan, self._plan.proof, step))
            self._keep(step)
            steps.append(step)
        unreadable = self._readings.unreadable
        troubles = [*unreadable.values(), *(trouble for step in steps for trouble in step.troubles)]
        if troubles:
            named = swaps(self._plan, steps, unreadable)
            raise ProofFailed("the wiring proof failed: " + "; ".join(dict.fromkeys((*named, *troubles))))
        self._journal.note("note", f"wiring proof passed: {len(steps)} rails, each stepped alone")

    def _measured_at_home(self, ordinal: int) -> Seen:
        self._begin(ordinal, ())
        self._sequence.go(Phase.MOVE)
        self._sequence.go(Phase.MEASURE)
        return self._readings.measure()

    def _step(self, rail: str, ordinal: int, before: Seen) -> tuple[ProofStep, Seen]:
        self._begin(ordinal, ((rail,),))
        step_v = self._away(rail)
        after = self._readings.measure()
        self._go(rail, NOMINAL)
        self._sequence.go(Phase.MEASURE)
        home = self._readings.measure()
        # What drifted meanwhile is the same on both sides of the step, so it goes half to each.
        readings = tuple(
            ProofReading(
                rail=item.name,
                telemetry_v=_change(item.name, before.telemetry_v, after.telemetry_v, home.telemetry_v),
                reference_v=_change(item.name, before.reference_v, after.reference_v, home.reference_v),
            )
            for item in self._plan.rails
        )
        return ProofStep(rail=rail, step_v=step_v, readings=readings), home

    def _begin(self, ordinal: int, return_order: tuple[tuple[str, ...], ...]) -> None:
        self._sequence.go(Phase.INTENT)
        step = Step(
            ordinal=ordinal,
            corner=Corner(name="wiring proof", levels=()),
            repeat=0,
            is_control=True,
            moves=(),
            return_order=return_order,
        )
        self._intend(Intent(run_id=self._run_id, step=step, at_utc=self._clock.utc_now()))

    def _away(self, name: str) -> float:
        """Step a rail up, or down where a relation or a limit stands against up; return the step in volts."""
        rail = self._plan.rail(name)
        refusal: GuardRefusal | None = None
        for level in (PROOF_UP, PROOF_DOWN):
            if level not in rail.levels:
                continue
            try:
                self._go(name, level)
            except GuardRefusal as error:
                refusal = error
                self._mover.levels[name] = NOMINAL
                continue
            return rail.levels[level] - rail.nominal_v
        why = refusal or "its hard limits leave no room for the step"
        raise ProofFailed(f"the wiring proof can't be done: {name} can be stepped neither up nor down: {why}")

    def _go(self, rail: str, level: str) -> None:
        if self._sequence.phase is not Phase.MOVE:
            self._sequence.go(Phase.MOVE)
        self.moving = (rail,)
        self._mover.move([RailLevel(rail=rail, level=level)])
        self._sequence.go(Phase.SETTLE)
        # A rail that never gets there is what the proof is after: the measurement says where it went.
        self._mover.settle(self._mover.with_followers((rail,)))
        self.moving = ()


def _change(
    rail: str, before: Mapping[str, float], after: Mapping[str, float], home: Mapping[str, float]
) -> float | None:
    if rail not in before or rail not in after or rail not in home:
        return None
    return after[rail] - (before[rail] + home[rail]) / 2
