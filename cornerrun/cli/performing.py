"""What `run` and `resume` do at the bench once it is known which steps are to be made."""

import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.cli.common import at_bench

if TYPE_CHECKING:
    from cornerrun.corners.model import Selection, Step
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan
    from cornerrun.results.records import RunRequest
    from cornerrun.results.store import Store
    from cornerrun.run.resuming import Resumed
    from cornerrun.run.runner import RunEnd

__all__ = ["perform", "refuse_stress", "report_on"]


def perform(
    plan: "Plan",
    bench_file: "BenchFile",
    store: "Store",
    *,
    steps: "Sequence[Step]",
    selection: "Selection",
    serial: str,
    operator: str,
    seed: int,
    request: "RunRequest",
    purpose: str,
    real_time: bool,
    no_input: bool,
    is_attended: bool,
    unit_data: Mapping[str, str] | None = None,
    resumed: "Resumed | None" = None,
) -> "RunEnd":
    """Open the bench and make the steps, or those that are left of ``resumed``.

    PlanError, before the bench is opened, if the board has been above nominal too long for that.
    """
    from cornerrun.cli.progress import listening
    from cornerrun.results.staging import stages_of
    from cornerrun.run.checks import CheckRunner
    from cornerrun.run.runner import run_plan

    refuse_stress(plan, bench_file, store, serial, steps if resumed is None else resumed.left)
    with (
        at_bench(
            plan,
            bench_file,
            purpose=purpose,
            real_time=real_time,
            seed=request.bench_seed,
            serial=serial,
            no_input=no_input,
        ) as bench,
        CheckRunner(
            checks=plan.checks, directory=plan.directory, clock=bench.clock, criterion=plan.criteria.checks
        ) as checks,
        listening(sys.stderr) as listener,
    ):
        return run_plan(
            plan,
            bench_file,
            bench.ports,
            store,
            bench.clock,
            checks,
            guardian=bench.guardian,
            steps=steps,
            selection=selection,
            serial=serial,
            operator=operator,
            seed=seed,
            unit_data=unit_data,
            listener=listener,
            request=request,
            resumed=resumed,
            is_attended=is_attended,
            staging=partial(stages_of, plan, seed=seed) if request.staged else None,
        )


def refuse_stress(plan: "Plan", bench_file: "BenchFile", store: "Store", serial: str, steps: "Sequence[Step]") -> None:
    """Raise PlanError if a rail of the board would stand above nominal longer than the plan allows in all."""
    from cornerrun.preflight.over_stress import planned_s, refuse_over_stress

    above_s = planned_s(plan, bench_file, steps)
    if above_s:
        refuse_over_stress(plan, serial, store.stress(serial, datetime.now(UTC)), above_s)


def report_on(store: "Store", end: "RunEnd", results_dir: Path, *, has_files: bool, as_json: bool) -> int:
    """Write the reports of a run that has just ended and print it; returns its exit code."""
    from cornerrun.cli.reporting import print_report, write_reports

    written = write_reports(store, end.run_id, results_dir, workbook=has_files, page=has_files)
    print_report(written, as_json=as_json)
    return end.exit_code
