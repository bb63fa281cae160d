"""Look at a board without moving it, and hold it at one corner for a while."""

from collections.abc import Mapping
from dataclasses import replace

from cornerrun.bench.ports import BenchPorts
from cornerrun.clock import Clock
from cornerrun.corners.model import Corner, Selection, Step
from cornerrun.corners.order import step_from
from cornerrun.corners.select import nominal_corner
from cornerrun.errors import UsageError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.results.records import HOLD, Reading, RunRequest
from cornerrun.results.store import Store
from cornerrun.run.assembly import encoded_setpoints
from cornerrun.run.draft import Draft, Reference
from cornerrun.run.guarded import Guardianship
from cornerrun.run.progress import Listener
from cornerrun.run.runner import RunEnd, run_plan
from cornerrun.run.supervisor import Mean

__all__ = ["go_to", "measure"]


def measure(plan: Plan, bench_file: BenchFile, bench: BenchPorts, clock: Clock) -> tuple[Reading, ...]:
    """Read every rail once, by telemetry and by meter, and judge it against nominal; nothing is moved.

    Raises what the bench raises. A voltage beyond a hard limit is a reading like any other here.
    """
    bench.power.connect()
    done_s = None
    if bench.meter is not None:
        bench.meter.identify()
        if bench.meter.rails:
            done_s = bench.meter.start(bench.meter.rails)
    corner = nominal_corner(plan, ())
    step = Step(ordinal=0, corner=corner, repeat=0, is_control=True, moves=(), return_order=())
    reference = Reference(
        plan=plan,
        setpoints=encoded_setpoints(plan, bench),
        meter=bench_file.meter.uncertainty if bench_file.meter is not None else None,
    )
    draft = Draft(reference=reference, step=step, clock=clock, run_started_s=clock.now_s())
    rails = [rail.name for rail in plan.rails if rail.name in bench.power.scan_s]
    draft.telemetry = {reading.rail: reading for reading in bench.power.read(rails, with_load=True)}
    draft.means = {rail: Mean(mean_v=one.voltage_v, samples=1) for rail, one in draft.telemetry.items()}
    if bench.meter is not None and done_s is not None:
        clock.sleep_until(done_s)
        draft.references = {reading.rail: reading for reading in bench.meter.fetch()}
    return draft.judge_rails({})


def go_to(
    plan: Plan,
    bench_file: BenchFile,
    bench: BenchPorts,
    store: Store,
    clock: Clock,
    *,
    guardian: Guardianship,
    corner: Corner,
    hold_s: float,
    serial: str,
    operator: str = "",
    seed: int = 0,
    unit_data: Mapping[str, str] | None = None,
    listener: Listener | None = None,
    request: RunRequest | None = None,
) -> RunEnd:
    """Hold a board at one corner, watched, then bring it back.

    It is a run of one visit without checks: its way back is stored before anything moves, so that after a kill
    `cornerrun to-nominal` works, and what the supervisor saw is kept. UsageError if the time is not positive.
    """
    if not hold_s > 0:
        raise UsageError("a corner is held for a time above zero, such as --hold 10min")
    visit = Step(ordinal=0, corner=corner, repeat=0, is_control=False, moves=(), return_order=())
    held = replace(
        plan,
        title=f"{HOLD}{corner.name}: {plan.title}",
        checks=(),
        criteria=replace(plan.criteria, trim_claim_ratio=None),
    )
    return run_plan(
        held,
        bench_file,
        bench,
        store,
        clock,
        None,
        steps=(step_from(plan, visit, {}),),
        selection=Selection(corners=(corner,)),
        serial=serial,
        operator=operator,
        seed=seed,
        unit_data=unit_data,
        listener=listener,
        hold_s=hold_s,
        request=request,
        guardian=guardian,
    )
