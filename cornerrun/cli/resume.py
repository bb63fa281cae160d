"""`cornerrun resume`: go on with a run that was killed, stopped or broken off."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import (
    json_option,
    no_input_option,
    open_store,
    operator_name,
    real_time_option,
    store_options,
)
from cornerrun.cli.confirming import confirm_option, confirmed_by, in_force
from cornerrun.errors import UsageError

if TYPE_CHECKING:
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan
    from cornerrun.results.records import Run


@click.command()
@click.argument("run", required=False)
@click.option("--operator", metavar="NAME", help="Who resumes it; the login name unless given.")
@store_options
@real_time_option
@no_input_option
@click.option("--unattended", is_flag=True, help="Nobody is at the bench: hold no failed corner.")
@click.option("--no-workbook", is_flag=True, help="Keep the run in the store only: no workbook, no page.")
@confirm_option
@json_option
def command(
    *,
    run: str | None,
    operator: str | None,
    results_dir: Path,
    store_url: str | None,
    real_time: bool,
    no_input: bool,
    unattended: bool,
    no_workbook: bool,
    confirmed: str | None,
    as_json: bool,
) -> int:
    """Go on with RUN (the newest if none is given) from its last whole visit, with the same board and files.

    After a kill first bring the board back: `cornerrun to-nominal PLAN`. Plan, limits, bench and check files must be
    those of the run, by hash; so must the devices, and the registers that the run found. The board warms up again if
    the plan says so, a control point proves it, and the report marks the seam.
    """
    from cornerrun.bench.scpi.dialect import dialect_sources
    from cornerrun.cli.banner import banner
    from cornerrun.cli.performing import perform, report_on
    from cornerrun.corners.order import steps
    from cornerrun.corners.select import select
    from cornerrun.preflight.rules import stop_on_errors
    from cornerrun.results.staging import stages_of
    from cornerrun.run.resuming import compare_sources, to_resume

    with open_store(results_dir, store_url, must_exist=True) as store:
        data = store.load(store.find(run or "last").run_id)
        plan, bench_file = _files(data.run)
        compare_sources(data.run, (*plan.sources, bench_file.source, *dialect_sources(bench_file)), but=("checks",))
        stop_on_errors(plan, bench_file)
        request = data.run.request
        if request.staged:
            now = stages_of(plan, data.visits, seed=data.run.seed)
            selection, planned = now.selection, now.steps
        else:
            selection = select(plan)
            planned = steps(
                plan,
                selection,
                only=request.only or None,
                repeats=request.repeats,
                interleave=request.interleave,
                seed=data.run.seed,
            )
        resumed = to_resume(plan, data, planned)
        corners = [step.corner for step in resumed.left]
        click.echo(
            banner(plan, bench_file, serial=data.run.serial, corners=corners, visits=len(resumed.left)), err=True
        )
        overrides = in_force(plan, bench_file)
        request = replace(request, overrides=overrides, confirmed_by=confirmed_by(overrides, confirmed))
        end = perform(
            plan,
            bench_file,
            store,
            steps=planned,
            selection=selection,
            serial=data.run.serial,
            operator=operator or operator_name(),
            seed=data.run.seed,
            request=request,
            purpose=f"resuming run {data.run.run_id} on {data.run.serial}",
            real_time=real_time,
            no_input=no_input,
            is_attended=not unattended,
            resumed=resumed,
        )
        return report_on(store, end, results_dir, has_files=not no_workbook, as_json=as_json)


def _files(run: "Run") -> "tuple[Plan, BenchFile]":
    """Read the files of a run again, from where they were."""
    from cornerrun.plan.load import load_bench, load_plan

    request = run.request
    if not request.plan or not request.bench:
        raise UsageError(f"run {run.run_id} does not say where its files are, so it cannot be resumed; start a new one")
    limits = Path(request.limits) if request.limits else None
    return load_plan(Path(request.plan), limits=limits), load_bench(Path(request.bench))
