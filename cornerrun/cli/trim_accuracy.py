"""`cornerrun trim-accuracy`: the trim accuracy of runs in the store, boards pooled."""

from pathlib import Path

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options
from cornerrun.errors import UsageError


@click.command()
@click.argument("runs", metavar="RUN...", nargs=-1)
@store_options
@click.option("--coverage", type=float, default=0.95, show_default=True, help="Share of boards that limits hold.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="Confidence of those limits.")
@click.option("--full", "is_full", is_flag=True, help="Print every setpoint and the budgets, and every level pooled.")
@json_option
def command(
    *,
    runs: tuple[str, ...],
    results_dir: Path,
    store_url: str | None,
    coverage: float,
    confidence: float,
    is_full: bool,
    as_json: bool,
) -> None:
    """Print gain, offset and worst error of each RUN (the newest if none is given), and what is behind them.

    Runs of several boards are pooled: the board is the unit, and limits hold a share of all boards.
    """
    from cornerrun.report.machine import plain_record
    from cornerrun.report.summary import summarise
    from cornerrun.report.text_trim import to_text
    from cornerrun.report.trim_table import trim_table

    for name, share in (("--coverage", coverage), ("--confidence", confidence)):
        if not 0 < share < 1:
            raise UsageError(f"{name} must lie between 0 and 1, both excluded, but is {share:g}")
    with open_store(results_dir, store_url, must_exist=True) as store:
        found = dict.fromkeys(store.find(run).run_id for run in runs or ("last",))
        summaries = [summarise(store.load(run_id, traces=False)) for run_id in found]
    result = trim_table(summaries, coverage=coverage, confidence=confidence)
    if as_json:
        print_json({"format": 1, **plain_record(result)})
    else:
        click.echo(to_text(result, is_full=is_full), nl=False)
