"""One run of a demonstration plan on its simulated bench, measured: wall time, simulated time, bus messages."""

import resource
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from cornerrun.bench.bench import open_bench
from cornerrun.clock import Clock, ManualClock
from cornerrun.corners.model import Step
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Plan
from cornerrun.results.records import EndState, VisitRecord
from cornerrun.results.store import Store
from cornerrun.run.checks import CheckRunner
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.progress import ProgressEvent, RunStarted, VisitEnded
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What one run took: real time, processor time, time on its own clock, bus messages; and what it did with it.

    ``visiting_s`` is the real time from the first step to the end of the last visit, the rest of ``wall_s`` is what a
    run costs once: proving the bench, the baseline, the way back, the verdict (which imports scipy).
    """

    plan: Plan
    planned: tuple[Step, ...]
    visits: tuple[VisitRecord, ...]
    readable: int
    wall_s: float
    visiting_s: float
    cpu_s: float
    clock_s: float
    messages: int
    period_s: float

    @property
    def visits_per_s(self) -> float:
        """Visits in a second of wall time, from the first step to the end of the last visit."""
        return len(self.visits) / self.visiting_s


class _Stopwatch:
    """Takes the time of the first step and of the last visit."""

    def __init__(self) -> None:
        self.first_s = self.last_s = 0.0

    def tell(self, event: ProgressEvent) -> None:
        if isinstance(event, RunStarted):
            self.first_s = time.perf_counter()
        elif isinstance(event, VisitEnded):
            self.last_s = time.perf_counter()


def measured_run(
    name: str,
    *,
    clock: Clock | None = None,
    checks: bool = False,
    meter: bool = True,
    conditions: bool = False,
    only: tuple[str, ...] | None = None,
    period_s: float | None = None,
) -> Measured:
    """Run a demonstration plan with parts of it left out."""
    clock = clock or ManualClock()
    plan = load_plan(PLANS / f"{name}.yaml")
    bench_file = load_bench(PLANS / f"{name}_bench.yaml")
    plan = replace(plan, checks=plan.checks if checks else (), conditions=plan.conditions if conditions else ())
    period_s = bench_file.watch.period_s if period_s is None else period_s
    bench_file = replace(
        bench_file,
        meter=bench_file.meter if meter else None,
        watch=replace(bench_file.watch, period_s=period_s),
    )
    bench = open_bench(plan, bench_file, clock, seed=1)
    selection = select(plan)
    planned = steps(plan, selection, only=only)
    runner = (
        CheckRunner(checks=plan.checks, directory=plan.directory, clock=clock, criterion=plan.criteria.checks)
        if checks
        else None
    )
    with (
        tempfile.TemporaryDirectory() as directory,
        Store.open(Path(directory) / "runs.db") as store,
        ExitStack() as left,
    ):
        left.callback(bench.close)
        if runner is not None:
            left.callback(runner.close)
            runner.prepare()
        watch = _Stopwatch()
        before_s, cpu_s, clock_s = time.perf_counter(), time.process_time(), clock.now_s()
        end = run_plan(
            plan,
            bench_file,
            bench,
            store,
            clock,
            runner,
            guardian=UNGUARDED,
            steps=planned,
            selection=selection,
            serial="00001",
            seed=1,
            listener=watch,
        )
        wall_s, cpu_s = time.perf_counter() - before_s, time.process_time() - cpu_s
        if end.end_state is not EndState.NOMINAL:
            raise SystemExit(f"the run did not come back: {end}")
        return Measured(
            plan=plan,
            planned=planned,
            visits=store.load(end.run_id).visits,
            readable=len(bench.power.scan_s),
            wall_s=wall_s,
            visiting_s=watch.last_s - watch.first_s,
            cpu_s=cpu_s,
            clock_s=clock.now_s() - clock_s,
            messages=bench.traffic()["messages"],
            period_s=period_s,
        )


def peak_memory_bytes() -> int:
    """The most memory that this process has held (getrusage(2) counts it in KiB on Linux)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
