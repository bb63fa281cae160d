"""From a run in the store to the reports a person asked for; shared by `run` and `report`."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cornerrun.results.store import Store

__all__ = ["Written", "write_reports"]


@dataclass(frozen=True, kw_only=True)
class Written:
    """A report as text, as JSON, and the files written."""

    text: str
    machine: str
    paths: tuple[Path, ...]


def write_reports(
    store: "Store",
    run_id: str,
    results_dir: Path,
    *,
    workbook: bool,
    target: Path | None = None,
    template: Path | None = None,
    page: bool = False,
    page_target: Path | None = None,
) -> Written:
    """Summarise a run once and write what is asked for.

    The workbook goes to ``target``, or to ``results_dir``/RUN/report.xlsx; ``template`` is the user's own. The page
    goes to ``page_target``, or beside the workbook as report.html.
    """
    from cornerrun.report.machine import to_json
    from cornerrun.report.summary import summarise
    from cornerrun.report.text import to_text

    data = store.load(run_id)
    summary = summarise(data, runs=store.runs(serial=data.run.serial))
    paths = []
    if workbook:
        from cornerrun.report.workbook import write_workbook

        path = target or results_dir / run_id / "report.xlsx"
        path.parent.mkdir(parents=True, exist_ok=True)
        paths.append(write_workbook(data, path, summary=summary, template=template))
    if page:
        from cornerrun.report.page.run_page import write_page

        path = page_target or results_dir / run_id / "report.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        paths.append(write_page(data, path, summary=summary))
    return Written(text=to_text(summary), machine=to_json(summary), paths=tuple(paths))
