"""Perform a plan on paper, by the run's own code: what it takes, and what it wears."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from cornerrun.bench.bench import is_private
from cornerrun.bench.combined import CombinedPower
from cornerrun.bench.ports import BenchPorts
from cornerrun.clock import ManualClock
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Rail
from cornerrun.plan.proof import with_proof_levels
from cornerrun.preflight.arrival import arrival
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.paper.booting import PaperConsole, PaperInput, paper_power_up
from cornerrun.preflight.paper.conditions import ToldCondition, paper_conditions
from cornerrun.preflight.paper.instruments import PaperChecks, PaperKeeper, PaperMeter
from cornerrun.preflight.paper.letters import Letters
from cornerrun.preflight.paper.power import PaperPower
from cornerrun.preflight.paper.response import tried_times_s
from cornerrun.preflight.paper.supply import PaperSupplies
from cornerrun.preflight.paper.wire import Wire
from cornerrun.results.records import EndState, Outcome, VisitRecord
from cornerrun.run.assembly import assemble, encoded_setpoints
from cornerrun.run.checking import Subject
from cornerrun.run.ended import Ended
from cornerrun.run.journal import Journal
from cornerrun.run.sequence import Phase, Sequence

__all__ = ["Rehearsal", "rehearse"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Rehearsal:
    """A run on paper: its visits, its length from the first message to the last, and what it counted.

    ``trouble`` says why it did not come to its end; then the other figures hold for what was rehearsed. ``rest_s`` is
    what it takes to bring conditions to rest after the last visit.
    """

    visits: tuple[VisitRecord, ...]
    duration_s: float
    messages: Mapping[str, int]
    closures: int
    condition_changes: int
    trouble: str = ""
    rest_s: float = 0.0


class _Way:
    """How long a rail takes: as tried on a simulated board, else as the plan and the device say."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._tried = tried_times_s(facts)
        self._levels = {(found.rail.name, row.setpoint_v): row.level for found in facts.levels for row in found.rows}

    def __call__(self, rail: Rail, start_v: float, end_v: float) -> float:
        ends = (self._levels.get((rail.name, volts)) for volts in (start_v, end_v))
        tried = [self._tried[rail.name, level] for level in ends if level and (rail.name, level) in self._tried]
        if tried:
            return max(tried)
        return arrival(self._facts.by_rail[rail.name], start_v, end_v).time_s


def rehearse(facts: Facts, letters: Letters | None = None) -> Rehearsal | None:
    """Perform the steps of a plan on paper; None where there is no bench file, or a rail has no profile or no supply.

    Every message is told to ``letters`` too. Every rail gets there, every check passes, no
    control point is out: what trouble costs is not foreseen.
    """
    bench_file, plan = facts.bench_file, with_proof_levels(facts.plan)
    buses = {device.bus for device in plan.devices.values()}
    if bench_file is None or facts.trouble or facts.profile_trouble or not buses <= bench_file.buses.keys():
        return None
    if any(condition.name not in bench_file.conditions for condition in plan.conditions):
        return None
    supplies = {rail.output.supply for rail in plan.rails if rail.output is not None}
    if not supplies <= bench_file.instruments.keys():
        return None
    clock = ManualClock()
    wires = {name: Wire(bus, clock, letters) for name, bus in bench_file.buses.items()}
    way = _Way(facts)
    managed = PaperPower(facts=facts, plan=plan, wires=wires, arrival=way, clock=clock)
    power: CombinedPower | PaperPower = managed
    supplied: PaperSupplies | None = None
    if supplies:
        try:
            supplied = PaperSupplies(plan=plan, bench_file=bench_file, arrival=way, clock=clock, letters=letters)
        except PlanError:
            return None  # which dialect, and where, is a finding of rule "supplies"
        power = CombinedPower([managed, supplied] if managed.scan_s else [supplied])

    def voltage_v(rail: str, at_s: float) -> float:
        made_v = None if supplied is None else supplied.voltage_v(rail, at_s)
        return managed.voltage_v(rail, at_s) if made_v is None else made_v

    meter = _meter(bench_file, facts, voltage_v, clock, letters)
    conditions = paper_conditions(facts.plan, bench_file, clock, lambda rail: power.read([rail], with_load=True))
    if letters is not None:
        conditions = {name: ToldCondition(name, one, clock, letters) for name, one in conditions.items()}
    bench = BenchPorts(
        identity="paper",
        power=power,
        safety=power,
        faults=power,
        meter=meter,
        conditions=conditions,
        links={},
        traffic=lambda: {"messages": sum(wire.messages for wire in wires.values())},
        close=lambda: None,
        snapshot=power.snapshot,
        input_power=PaperInput(),
        console=PaperConsole(clock, facts.plan),
    )
    sequence, journal, keeper = Sequence(), Journal(clock, letters), PaperKeeper()
    power.connect()
    if meter is not None:
        meter.identify()
    sequence.go(Phase.BASELINE)
    baseline = power.take_baseline()
    parts = assemble(
        plan=replace(facts.plan, power_up=paper_power_up(facts.plan)),
        bench_file=bench_file,
        bench=bench,
        store=keeper,
        clock=clock,
        checks=PaperChecks(clock, shares_clock=is_private(bench_file), letters=letters),
        journal=journal,
        sequence=sequence,
        run_id="paper",
        baseline=baseline,
        setpoints=encoded_setpoints(facts.plan, bench),
        subject=Subject(serial="", seed=0, unit={}, directory=facts.plan.directory),
        keep_proof=lambda _: None,
    )
    ended = parts.executor.run(facts.steps, before=lambda: _discard(power.snapshot()))
    power.snapshot()
    return Rehearsal(
        visits=ended.visits,
        duration_s=clock.now_s(),
        messages={
            **{name: wire.messages for name, wire in wires.items() if wire.messages},
            **({} if supplied is None else supplied.messages),
        },
        closures=meter.closures if meter is not None else 0,
        condition_changes=sum(1 for _ in ended.visits if _.visit.phase_s.get("condition", 0.0) > 0),
        rest_s=sum(change.took_s for change in keeper.changes),
        trouble=_trouble(ended, len(facts.steps)),
    )


def _trouble(ended: Ended, steps: int) -> str:
    """Tell why a rehearsal does not stand for a run: on paper nothing should go wrong."""
    bad = next((record.visit for record in ended.visits if record.visit.outcome is not Outcome.PASS), None)
    if bad is not None:
        return f"on paper {bad.corner!r} ends {bad.outcome.value}: {bad.reason}"
    if ended.trouble is not None or ended.end_state is not EndState.NOMINAL or len(ended.visits) != steps:
        return ended.why or "it ends before its last step"
    return ""


def _discard(registers: object) -> None:
    """Read for the time that it takes."""
    del registers


def _meter(
    bench_file: BenchFile,
    facts: Facts,
    voltage_v: Callable[[str, float], float],
    clock: ManualClock,
    letters: Letters | None,
) -> PaperMeter | None:
    if bench_file.meter is None:
        return None
    probed = bench_file.meter.settings.get("rail")
    reached = [
        rail.name
        for rail in facts.plan.rails
        if rail.name in bench_file.channels or rail.name == probed or (not bench_file.channels and probed is None)
    ]
    return PaperMeter(
        instrument=bench_file.meter,
        channels=bench_file.channels,
        rails=reached,
        voltage_v=voltage_v,
        clock=clock,
        letters=letters,
    )
