"""`cornerrun boards`: many runs together."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options
from cornerrun.errors import UsageError

if TYPE_CHECKING:
    from cornerrun.results.records import Run

_DAY = click.DateTime(formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"])


@click.command()
@store_options
@click.option("--serial", "serials", metavar="SN", multiple=True, help="Only this board; may be given again.")
@click.option("--plan", "plans", metavar="PLAN", multiple=True, help="Only runs of this plan: its title, file or hash.")
@click.option("--station", "stations", metavar="NAME", multiple=True, help="Only runs of this station.")
@click.option("--since", metavar="DATE", type=_DAY, help="Only runs that began on or after this day (UTC).")
@click.option("--until", metavar="DATE", type=_DAY, help="Only runs that began on or before this day (UTC).")
@click.option("--page", "page_path", metavar="FILE", type=click.Path(path_type=Path), help="Write a page.")
@click.option(
    "--figures", "figures_dir", metavar="FOLDER", type=click.Path(path_type=Path), help="Write figures: SVG and PNG."
)
@json_option
def command(
    *,
    results_dir: Path,
    store_url: str | None,
    serials: tuple[str, ...],
    plans: tuple[str, ...],
    stations: tuple[str, ...],
    since: datetime | None,
    until: datetime | None,
    page_path: Path | None,
    figures_dir: Path | None,
    as_json: bool,
) -> None:
    """Put many runs together: yield by corner, check and rail over boards, control charts of trim error, outliers.

    A board is a serial number. First pass is what the first run says that met the corner, check or rail, final what
    the last one says. Holds (`goto`) count nowhere.
    """
    from cornerrun.report.comparing.as_text import boards_text
    from cornerrun.report.comparing.boards import summarise_boards
    from cornerrun.report.comparing.digest import Digester
    from cornerrun.report.machine import plain_record

    digester = Digester()
    with open_store(results_dir, store_url, must_exist=True) as store:
        wanted = [
            run for run in store.runs() if _is_wanted(run, serials=serials, plans=plans, stations=stations)
            and (since is None or run.started_utc >= since.replace(tzinfo=UTC))
            and (until is None or run.started_utc < _end_of(until))
        ]  # fmt: skip
        if not wanted:
            raise UsageError(f"no run in {store.where} fits; `cornerrun runs` lists them")
        digests = [digester.digest(store.load(run.run_id, traces=False)) for run in wanted]
    summary = summarise_boards(digests, claim_ratio=digester.claim_ratio)
    if as_json:
        print_json(plain_record(summary))
    else:
        click.echo(boards_text(summary))
    if page_path is not None:
        from cornerrun.report.comparing.pages import boards_page, write_text

        click.echo(f"written: {write_text(boards_page(summary), page_path)}", err=as_json)
    if figures_dir is not None:
        from cornerrun.report.figures.control_chart import control_charts
        from cornerrun.report.figures.gallery import write_drawings

        chart = control_charts(summary)
        for path in write_drawings({"trim-over-boards": chart}, figures_dir) if chart is not None else ():
            click.echo(f"written: {path}", err=as_json)


def _is_wanted(run: "Run", *, serials: Sequence[str], plans: Sequence[str], stations: Sequence[str]) -> bool:
    if run.is_hold or (serials and run.serial not in serials):
        return False
    if stations and run.station not in stations:
        return False
    names = {run.title}
    for source in run.sources:
        if source.role == "plan":
            names |= {source.path.name, str(source.path), source.sha256}
    return not plans or any(
        plan in names or (len(plan) >= 8 and any(name.startswith(plan) for name in names)) for plan in plans
    )


def _end_of(until: datetime) -> datetime:
    """Tell the first moment after a day, or after a minute where one is given."""
    moment = until.replace(tzinfo=UTC)
    is_day = (until.hour, until.minute) == (0, 0)
    return moment + (timedelta(days=1) if is_day else timedelta(minutes=1))
