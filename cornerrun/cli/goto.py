"""`cornerrun goto`: hold one corner for a while, watched, so that a person can probe."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from cornerrun.cli.common import (
    at_bench,
    bench_option,
    limits_option,
    no_input_option,
    open_store,
    operator_name,
    plan_argument,
    read_files,
    real_time_option,
    store_options,
)
from cornerrun.cli.confirming import confirm_option, confirmed_by, in_force
from cornerrun.errors import UsageError
from cornerrun.units import Kind, quantity


@click.command()
@plan_argument
@click.argument("corner", metavar="CORNER")
@click.option("--hold", required=True, metavar="TIME", help="How long, with its unit: 10min.")
@bench_option
@limits_option
@click.option("--serial", default="unnamed", show_default=True, metavar="SN", help="Serial number of the board.")
@click.option("--operator", metavar="NAME", help="Who holds it; the login name unless given.")
@store_options
@real_time_option
@no_input_option
@confirm_option
def command(
    *,
    plan_path: Path,
    corner: str,
    hold: str,
    bench_path: Path | None,
    limits_path: Path | None,
    serial: str,
    operator: str | None,
    results_dir: Path,
    store_url: str | None,
    real_time: bool,
    no_input: bool,
    confirmed: str | None,
) -> int:
    """Go to CORNER of PLAN, hold it, then go back to nominal. Ctrl-C ends the hold early.

    Every rail is watched all the time. The board is live at margin while it is held: keep hands off, or use insulated
    probes and know what you touch.
    """
    from cornerrun.cli.banner import banner
    from cornerrun.cli.progress import listening
    from cornerrun.corners.choose import chosen
    from cornerrun.corners.select import select
    from cornerrun.preflight.over_stress import refuse_over_stress
    from cornerrun.preflight.rules import stop_on_errors
    from cornerrun.results.records import RunRequest
    from cornerrun.results.stress import above_nominal
    from cornerrun.run.hold import go_to

    hold_s = quantity(hold, Kind.TIME)
    plan, bench_file = read_files(plan_path, bench_path, limits_path)
    stop_on_errors(plan, bench_file)
    found = chosen(plan, select(plan), [corner])
    if len(found) != 1:
        names = ", ".join(repr(one.name) for one in found[:5])
        raise UsageError(f"{corner!r} names {len(found)} corners: {names}; name one")
    click.echo(banner(plan, bench_file, serial=serial, corners=found, visits=1), err=True)
    overrides = in_force(plan, bench_file)
    request = RunRequest(overrides=overrides, confirmed_by=confirmed_by(overrides, confirmed))
    with open_store(results_dir, store_url) as store:
        above_s = dict.fromkeys(above_nominal(plan, found[0].by_rail()), hold_s)
        refuse_over_stress(plan, serial, store.stress(serial, datetime.now(UTC)), above_s)
        with (
            at_bench(
                plan,
                bench_file,
                purpose=f"hold of {corner!r} on {serial}",
                real_time=real_time,
                no_input=no_input,
            ) as bench,
            listening(sys.stderr) as listener,
        ):
            end = go_to(
                plan,
                bench_file,
                bench.ports,
                store,
                bench.clock,
                corner=found[0],
                hold_s=hold_s,
                serial=serial,
                operator=operator or operator_name(),
                listener=listener,
                guardian=bench.guardian,
                request=request,
            )
    click.echo(f"run {end.run_id}: {end.result}, board at {end.end_state}" + (f": {end.why}" if end.why else ""))
    return end.exit_code
