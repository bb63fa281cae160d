"""`cornerrun to-nominal`: bring the board back, after a killed run too."""

import sys
from pathlib import Path

import click

from cornerrun.cli.common import (
    at_bench,
    bench_option,
    json_option,
    open_store,
    plan_argument,
    print_json,
    read_files,
    real_time_option,
    store_options,
)


@click.command()
@plan_argument
@bench_option
@store_options
@real_time_option
@json_option
def command(
    *,
    plan_path: Path,
    bench_path: Path | None,
    results_dir: Path,
    store_url: str | None,
    real_time: bool,
    as_json: bool,
) -> int:
    """Bring every rail to nominal and verify it.

    If a run on this bench was killed, its stored baseline is restored byte for byte and the run is closed; new runs
    are refused until then. Exit 4 if the board could not be brought back.
    """
    from cornerrun.cli.progress import listening
    from cornerrun.run.rescue import to_nominal

    plan, bench_file = read_files(plan_path, bench_path)
    with (
        open_store(results_dir, store_url) as store,
        at_bench(plan, bench_file, purpose="bringing the board to nominal", real_time=real_time) as bench,
        listening(sys.stderr) as listener,
    ):
        end = to_nominal(plan, bench_file, bench.ports, store, bench.clock, listener=listener)
    if as_json:
        print_json({"end_state": end.end_state, "closed": list(end.closed), "why": end.why})
    else:
        click.echo(f"board at {end.end_state}" + (f": {end.why}" if end.why else ""))
        for run_id in end.closed:
            click.echo(f"closed the lost run {run_id}")
    return end.exit_code
