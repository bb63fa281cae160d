"""From a run in the store to the reports a person asked for; shared by `run` and `report`."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.errors import ReportError

if TYPE_CHECKING:
    from cornerrun.plan.model import Plan
    from cornerrun.report.summary_model import Summary
    from cornerrun.results.records import RunData
    from cornerrun.results.store import Store

__all__ = ["Exports", "Written", "print_report", "summary_of", "write_reports"]


@dataclass(frozen=True, kw_only=True)
class Exports:
    """Where a run goes in formats for programs and for documents; None writes nothing. ``junit`` alone is a file."""

    csv: Path | None = None
    parquet: Path | None = None
    junit: Path | None = None
    figures: Path | None = None


@dataclass(frozen=True, kw_only=True)
class Written:
    """A report as text, as JSON, the files written, and what a person must know of them."""

    text: str
    machine: str
    paths: tuple[Path, ...]
    notes: tuple[str, ...] = ()


def write_reports(
    store: "Store",
    run_id: str,
    results_dir: Path,
    *,
    workbook: bool,
    target: Path | None = None,
    template: Path | None = None,
    released: Path | None = None,
    page: bool = False,
    page_target: Path | None = None,
    exports: Exports | None = None,
) -> Written:
    """Summarise a run once and write what is asked for.

    The workbook goes to ``target``, or to ``results_dir``/RUN/report.xlsx; ``template`` is the user's own. The page
    goes to ``page_target``, or beside the workbook as report.html.
    """
    from cornerrun.plan.load import load_plan
    from cornerrun.plan.serial import plan_from_json
    from cornerrun.report.machine import to_json
    from cornerrun.report.text import to_text
    from cornerrun.results.control import mark_void

    exports = exports or Exports()
    # Traces of settling are by far the largest part of a run, and only these show them.
    traces = page or exports.csv is not None or exports.parquet is not None
    data = store.load(run_id, traces=traces)
    with _left_alone():
        plan = plan_from_json(data.run.plan_json)
        data = mark_void(plan, data)
        summary = summary_of(store, data, plan)
        paths = []
        notes: tuple[str, ...] = ()
        if workbook:
            from cornerrun.report.template import losses
            from cornerrun.report.workbook import write_workbook

            notes = tuple(f"{template}: not taken over: {what}" for what in (losses(template) if template else ()))
            approved = None if released is None else load_plan(released)
            path = target or results_dir / run_id / "report.xlsx"
            _make_folder_of(path)
            paths.append(write_workbook(data, path, summary=summary, plan=plan, template=template, released=approved))
        if page:
            from cornerrun.report.page.run_page import write_page

            path = page_target or results_dir / run_id / "report.html"
            _make_folder_of(path)
            paths.append(write_page(data, path, summary=summary, plan=plan))
        paths.extend(_exported(data, plan, summary, exports))
        return Written(text=to_text(summary), machine=to_json(summary), paths=tuple(paths), notes=notes)


@contextmanager
def _left_alone() -> Iterator[None]:
    """Let the collector of garbage pass over what there is: a million readings stay until the end."""
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def summary_of(store: "Store", data: "RunData", plan: "Plan") -> "Summary":
    """Summarise a run with what its store knows of the board: earlier attempts, and the stress ledger.

    The ledger is that of the moment when the run ended, so that a report does not change with the clock.
    """
    from cornerrun.report.summary import summarise
    from cornerrun.report.summary_stress import Ledgers, earlier_runs

    run = data.run
    runs = store.runs(serial=run.serial)
    moment = run.ended_utc or run.started_utc
    ledgers = Ledgers(
        own=store.stress(run.serial, moment, run_ids={run.run_id}),
        earlier=store.stress(run.serial, moment, run_ids=earlier_runs(run, runs)),
    )
    return summarise(data, plan=plan, runs=runs, ledgers=ledgers)


def print_report(written: Written, *, as_json: bool) -> None:
    """Print a report: as text with the files written, or as JSON alone."""
    if as_json:
        click.echo(written.machine)
        return
    click.echo(written.text)
    for path in written.paths:
        click.echo(f"written: {path}")


def _exported(data: "RunData", plan: "Plan", summary: "Summary", exports: Exports) -> tuple[Path, ...]:
    paths: tuple[Path, ...] = ()
    if exports.csv is not None:
        from cornerrun.results.export import export_csv

        paths += export_csv(data, exports.csv)
    if exports.parquet is not None:
        from cornerrun.results.parquet import export_parquet

        paths += export_parquet(data, exports.parquet)
    if exports.junit is not None:
        from cornerrun.report.junit import write_junit

        _make_folder_of(exports.junit)
        paths += (write_junit(summary, data, exports.junit),)
    if exports.figures is not None:
        from cornerrun.report.figures.gallery import write_figures

        paths += write_figures(plan, summary, data, exports.figures)
    return paths


def _make_folder_of(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ReportError(f"{path}: its folder cannot be made: {error.strerror or error}") from error
