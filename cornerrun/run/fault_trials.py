"""Provoke the faults that the plan asks for, watch who goes down, put the limit back, and bring the board up again."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

from cornerrun.bench.abilities import ProvokesFaults
from cornerrun.bench.ports import RailPower, Telemetry
from cornerrun.clock import Clock
from cornerrun.corners.model import Corner, Step
from cornerrun.errors import DeviceRefused
from cornerrun.plan.fault_reach import taken_down
from cornerrun.plan.fault_response import FaultResponse
from cornerrun.plan.model import Plan
from cornerrun.results.fault_trial import FaultTrial, RailResponse
from cornerrun.results.records import Intent
from cornerrun.run.faults import STATUS_WORD_OFF
from cornerrun.run.journal import Journal
from cornerrun.run.recovery import Recovery
from cornerrun.run.sequence import Phase, Trouble
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.trouble import Alarmed
from cornerrun.units import Kind, show

__all__ = ["FaultTrials", "judged"]

_AFTER_PERIODS = 1.5  # chosen: long enough that a try which is due has been made


@dataclass(slots=True)
class _Watched:
    """When each rail was first seen off, and on again after that; seconds after the fault was provoked."""

    went_s: dict[str, float] = field(default_factory=dict)
    back_s: dict[str, float] = field(default_factory=dict)
    looks: int = 0


class FaultTrials:
    """Perform the plan's ``fault_responses``, once, with every rail at nominal; those ``tried`` before a seam are done.

    While a fault is being watched its rails are read as fast as the bus goes, and nothing else is done: rails that go
    down are what is waited for. A voltage above a hard limit still ends it at once.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        run_id: str,
        power: RailPower,
        provoker: ProvokesFaults,
        recovery: Recovery,
        sequence: PhaseSequence,
        clock: Clock,
        journal: Journal,
        intend: Callable[[Intent], None],
        keep: Callable[[FaultTrial], None],
        tried: Collection[tuple[str, str]] = (),
    ) -> None:
        self._left = [item for item in plan.fault_responses if (item.rail, item.fault) not in tried]
        self._plan = plan
        self._run_id = run_id
        self._power = power
        self._provoker = provoker
        self._recovery = recovery
        self._sequence = sequence
        self._clock = clock
        self._journal = journal
        self._intend = intend
        self._keep = keep
        self._rails = tuple(rail.name for rail in plan.rails if rail.name in power.scan_s)
        self.is_due = bool(self._left)

    def perform(self, ordinal: int) -> None:
        """Provoke every fault of the plan, one after the other; each is kept before the next.

        Raises what recovery raises if the board does not come back, and whatever ends a visit.
        """
        self.is_due = False
        for response in self._left:
            self._begin(ordinal)
            trial = self._tried(response, ordinal)
            self._keep(trial)
            if trial.refused:
                told = "warning", f"no {response.fault} was provoked: {trial.refused}"
            elif trial.troubles:
                told = "warning", f"{response.fault} provoked: {'; '.join(trial.troubles)}"
            else:
                told = "note", f"{response.fault} provoked: the board did what the plan says"
            self._journal.note(*told, response.rail)

    def _tried(self, response: FaultResponse, ordinal: int) -> FaultTrial:
        observe_s = response.within_s + _AFTER_PERIODS * self._plan.policy.retry_period_s
        began_s = self._clock.now_s()
        try:
            self._provoker.provoke(response.rail, response.fault)
        except DeviceRefused as error:
            self._provoker.withdraw()
            self._sequence.go(Phase.MEASURE)
            return judged(self._plan, response, _Watched().went_s, {}, resolution_s=0.0, refused=str(error))
        watched = _Watched()
        try:
            self._watch(watched, began_s, observe_s)
            alarm = Alarmed(
                Trouble.TRIP, f"{response.fault} of {response.rail}, provoked by the plan", (response.rail,)
            )
            evidence = self._recovery.evidence(alarm, visit=ordinal, moving=())
        finally:
            # Before anything is turned on again, and whatever happened.
            self._provoker.withdraw()
        self._sequence.go(Phase.RECOVER)
        self._recovery.recover(evidence, ())
        resolution_s = observe_s / max(1, watched.looks)
        return judged(self._plan, response, watched.went_s, watched.back_s, resolution_s=resolution_s)

    def _watch(self, watched: _Watched, began_s: float, observe_s: float) -> None:
        while (since_s := self._clock.now_s() - began_s) < observe_s:
            before_s = self._clock.now_s()
            for reading in self._power.read(self._rails):
                self._refuse_too_much(reading)
                is_off = bool((reading.status_word or 0) & STATUS_WORD_OFF)
                at_s = reading.read_at_s - began_s
                if is_off:
                    watched.went_s.setdefault(reading.rail, at_s)
                elif reading.rail in watched.went_s:
                    watched.back_s.setdefault(reading.rail, at_s)
            watched.looks += 1
            if self._clock.now_s() <= before_s:
                # A bus that takes no time would never let any pass.
                self._clock.sleep_until(began_s + since_s + 1e-3, interruptible=False)

    def _refuse_too_much(self, reading: Telemetry) -> None:
        limit_v = self._plan.rail(reading.rail).hard_limits.max_v
        if not reading.voltage_v <= limit_v:
            raise Alarmed(
                Trouble.HARD_LIMIT,
                f"{reading.rail} reads {show(reading.voltage_v, Kind.VOLTAGE)} while a fault is provoked, hard limit "
                f"{show(limit_v, Kind.VOLTAGE)}",
                (reading.rail,),
            )

    def _begin(self, ordinal: int) -> None:
        self._sequence.go(Phase.INTENT)
        step = Step(
            ordinal=ordinal,
            corner=Corner(name="provoked fault", levels=()),
            repeat=0,
            is_control=True,
            moves=(),
            return_order=(),
        )
        self._intend(Intent(run_id=self._run_id, step=step, at_utc=self._clock.utc_now()))
        self._sequence.go(Phase.MOVE)


def judged(
    plan: Plan,
    response: FaultResponse,
    went_s: Mapping[str, float],
    back_s: Mapping[str, float],
    *,
    resolution_s: float,
    refused: str = "",
) -> FaultTrial:
    """Compare what rails did with what the plan says; rails without telemetry are left out."""
    must = taken_down(plan, response)
    rails = [] if refused else [rail.name for rail in plan.rails if rail.power is not None or rail.output is not None]
    return FaultTrial(
        rail=response.rail,
        fault=response.fault,
        within_s=response.within_s,
        then=response.then,
        resolution_s=resolution_s,
        refused=refused,
        rails=tuple(
            RailResponse(
                rail=name,
                must_go_down=name in must,
                went_down_s=went_s.get(name),
                came_back_s=back_s.get(name),
                difference=_difference(
                    response, name, must_go=name in must, went_s=went_s.get(name), back_s=back_s.get(name)
                ),
            )
            for name in rails
        ),
    )


def _difference(
    response: FaultResponse, rail: str, *, must_go: bool, went_s: float | None, back_s: float | None
) -> str:
    if not must_go:
        return "" if went_s is None else f"went down after {_time(went_s)}, and should have stayed"
    if went_s is None:
        return "did not go down"
    if went_s > response.within_s:
        return f"went down after {_time(went_s)}, later than {_time(response.within_s)}"
    if rail == response.rail and response.then == "stays off" and back_s is not None:
        return f"turned on again after {_time(back_s)}, and should have stayed off"
    if rail == response.rail and response.then == "tries again" and back_s is None:
        return "stayed off, and should have been tried again"
    return ""


def _time(time_s: float) -> str:
    return show(time_s, Kind.TIME, digits=3)
