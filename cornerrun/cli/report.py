"""`cornerrun report`: report on a run that is in the store."""

from pathlib import Path

import click

from cornerrun.cli.common import json_option, open_store, store_options


@click.command()
@click.argument("run", metavar="[RUN]", required=False)
@store_options
@click.option("--workbook", is_flag=True, help="Write the workbook to DIR/RUN/report.xlsx.")
@click.option("--out", "out_path", metavar="FILE", type=click.Path(path_type=Path), help="Write the workbook there.")
@click.option(
    "--page",
    "page_path",
    metavar="[FILE]",
    is_flag=False,
    flag_value="",
    help="Write the page to FILE, or to DIR/RUN/report.html.",
)
@click.option(
    "--figures", "figures_dir", metavar="FOLDER", type=click.Path(path_type=Path), help="Write figures: SVG and PNG."
)
@click.option("--template", metavar="XLSX", type=click.Path(path_type=Path), help="Fill this template, not our own.")
@click.option(
    "--released",
    metavar="PLAN",
    type=click.Path(path_type=Path),
    help="A plan that was approved: the sign-off lists what this run's plan asks for otherwise.",
)
@click.option("--junit", "junit_path", metavar="FILE", type=click.Path(path_type=Path), help="Write JUnit XML to FILE.")
@click.option(
    "--parquet", "parquet_dir", metavar="FOLDER", type=click.Path(path_type=Path), help="Write every table as Parquet."
)
@click.option("--csv", "csv_dir", metavar="FOLDER", type=click.Path(path_type=Path), help="Write every table as CSV.")
@json_option
def command(
    *,
    run: str | None,
    results_dir: Path,
    store_url: str | None,
    workbook: bool,
    out_path: Path | None,
    page_path: str | None,
    figures_dir: Path | None,
    template: Path | None,
    released: Path | None,
    junit_path: Path | None,
    parquet_dir: Path | None,
    csv_dir: Path | None,
    as_json: bool,
) -> None:
    """Report on RUN: its name, the beginning of its name, or the newest run if none is given."""
    from cornerrun.cli.reporting import Exports, write_reports

    with open_store(results_dir, store_url, must_exist=True) as store:
        run_id = store.find(run or "last").run_id
        wanted = workbook or out_path is not None or template is not None or released is not None
        written = write_reports(
            store,
            run_id,
            results_dir,
            workbook=wanted,
            target=out_path,
            template=template,
            released=released,
            page=page_path is not None,
            page_target=Path(page_path) if page_path else None,
            exports=Exports(csv=csv_dir, parquet=parquet_dir, junit=junit_path, figures=figures_dir),
        )
    if as_json:
        click.echo(written.machine)
    else:
        click.echo(written.text)
    for note in written.notes:
        click.echo(note, err=True)
    for path in written.paths:
        click.echo(f"written: {path}", err=as_json)
