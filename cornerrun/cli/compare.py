"""`cornerrun compare`: two runs beside each other."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options

if TYPE_CHECKING:
    from cornerrun.report.summary_model import Summary
    from cornerrun.results.records import RunData
    from cornerrun.results.store import Store


@click.command()
@click.argument("before", metavar="BEFORE")
@click.argument("now", metavar="NOW")
@store_options
@click.option("--other-store", metavar="URL", help="Where BEFORE is, if it is not where NOW is: a database URL.")
@click.option("--page", "page_path", metavar="FILE", type=click.Path(path_type=Path), help="Write NOW's page with it.")
@click.option(
    "--workbook", "workbook_path", metavar="FILE", type=click.Path(path_type=Path), help="Write NOW's workbook with it."
)
@json_option
def command(
    *,
    before: str,
    now: str,
    results_dir: Path,
    store_url: str | None,
    other_store: str | None,
    page_path: Path | None,
    workbook_path: Path | None,
    as_json: bool,
) -> None:
    """Compare run NOW with run BEFORE: revisions, boards, stations or firmware.

    Shows what got worse, with intervals and p-values adjusted for the number of comparisons; and what could not have
    been seen. BEFORE and NOW are names of runs or the beginnings of names; "last" is the newest.
    """
    from cornerrun.report.comparing.as_text import comparison_text
    from cornerrun.report.comparing.compare import compare_runs
    from cornerrun.report.machine import plain_record

    with open_store(results_dir, store_url, must_exist=True) as store:
        data_now, summary_now = _told(store, now)
        if other_store is None:
            data_before, summary_before = _told(store, before)
    if other_store is not None:
        with open_store(results_dir, other_store, must_exist=True) as store:
            data_before, summary_before = _told(store, before)
    comparison = compare_runs(data_before, data_now, summaries=(summary_before, summary_now))
    if as_json:
        print_json(plain_record(comparison))
    else:
        click.echo(comparison_text(comparison))
    if page_path is not None:
        from cornerrun.report.comparing.pages import comparison_section, write_text
        from cornerrun.report.page.run_page import run_page

        text = run_page(data_now, summary=comparison.b, extra=(comparison_section(comparison),))
        click.echo(f"written: {write_text(text, page_path)}", err=as_json)
    if workbook_path is not None:
        from cornerrun.report.workbook import write_workbook

        path = write_workbook(data_now, workbook_path, summary=comparison.b, comparison=comparison)
        click.echo(f"written: {path}", err=as_json)


def _told(store: "Store", name: str) -> "tuple[RunData, Summary]":
    from cornerrun.cli.reporting import summary_of
    from cornerrun.plan.serial import plan_from_json

    data = store.load(store.find(name).run_id)
    return data, summary_of(store, data, plan_from_json(data.run.plan_json))
