"""`cornerrun runs`: what is in the store."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options

if TYPE_CHECKING:
    from cornerrun.results.records import Run


@click.command()
@store_options
@click.option("--serial", metavar="SN", help="Only runs of this board.")
@json_option
def command(*, results_dir: Path, store_url: str | None, serial: str | None, as_json: bool) -> None:
    """List the runs in the store, newest first."""
    with open_store(results_dir, store_url, must_exist=True) as store:
        runs = store.runs(serial=serial)
    if as_json:
        print_json([_as_data(run) for run in runs])
        return
    from cornerrun.report.text_table import one_line
    from cornerrun.results.records import BY_GUARDIAN

    if not runs:
        click.echo("no runs" if serial is None else f"no runs of {serial}")
        return
    rows = [("RUN", "STARTED (UTC)", "SERIAL", "RESULT", "BOARD AT", "PLAN")]
    for run in runs:
        result = str(run.result) if run.result is not None else "unfinished"
        end_state = str(run.end_state) if run.end_state is not None else "not known"
        if run.why.startswith(BY_GUARDIAN):
            end_state += ", by its guardian"
        started = run.started_utc.strftime("%Y-%m-%d %H:%M:%S")
        rows.append((run.run_id, started, one_line(run.serial), result, end_state, one_line(run.title)))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip())


def _as_data(run: "Run") -> dict[str, object]:
    return {
        "run": run.run_id,
        "started_utc": run.started_utc.isoformat(),
        "ended_utc": run.ended_utc.isoformat() if run.ended_utc else None,
        "serial": run.serial,
        "title": run.title,
        "bench": run.bench_id,
        "kind": run.bench_kind,
        "result": run.result,
        "end_state": run.end_state,
        "why": run.why,
    }
