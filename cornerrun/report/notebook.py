"""A run in a notebook: its data, its summary, its tables and figures, and its page where the cell ends with it."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.errors import StoreError
from cornerrun.plan.model import Plan
from cornerrun.report.cell_text import xml_text
from cornerrun.report.drawing import Drawing
from cornerrun.report.svg import to_svg
from cornerrun.results.records import RunData

if TYPE_CHECKING:
    import pandas as pd

    from cornerrun.report.summary_model import Summary

__all__ = ["FigureView", "RunView", "load_run"]

_HEIGHT = 720  # chosen: verdict and the first corners of the map, without the notebook being lost from sight


def load_run(run: str = "last", *, results: str | Path = "results", store: str | None = None) -> "RunView":
    """Load a run from a store: its name, the beginning of its name, or "last" for the newest.

    ``results`` is the folder of the store; ``store`` a database URL instead. Nothing is changed there. Raises
    UsageError if not exactly one run fits, StoreError if the store cannot be read.
    """
    from cornerrun.results.store import Store

    path = Path(results) / "runs.sqlite"
    if store is None and not path.exists():
        raise StoreError(f"{path} is not there: no run has been kept in {results}")
    with Store.open(store or path, read_only=True) as opened:
        return RunView(opened.load(opened.find(run).run_id))


@dataclass(frozen=True, slots=True)
class FigureView:
    """A figure that a notebook shows."""

    drawing: Drawing

    def _repr_svg_(self) -> str:
        return to_svg(self.drawing, is_alone=True)


class RunView:
    """A run as a notebook sees it; everything is computed when it is asked for."""

    def __init__(self, data: RunData) -> None:
        self.data = data

    def __repr__(self) -> str:
        run = self.data.run
        return f"<run {run.run_id} of {run.serial!r}: {run.result or 'unfinished'}, {len(self.data.visits)} visits>"

    def _repr_html_(self) -> str:
        """Show the page in a frame of its own: neither the notebook's style nor the page's touches the other."""
        page = escape(self.page, quote=True)
        title = escape(xml_text(repr(self)), quote=True)
        return (
            f'<iframe title="{title}" sandbox="allow-scripts" srcdoc="{page}" '
            f'style="width:100%;height:{_HEIGHT}px;border:1px solid #c7ced4"></iframe>'
        )

    @cached_property
    def plan(self) -> Plan:
        """The plan that was run."""
        from cornerrun.plan.serial import plan_from_json

        return plan_from_json(self.data.run.plan_json)

    @cached_property
    def summary(self) -> "Summary":
        """Every number of every report."""
        from cornerrun.report.summary import summarise

        return summarise(self.data, plan=self.plan)

    @cached_property
    def tables(self) -> "Mapping[str, pd.DataFrame]":
        """Every table as a pandas frame, SI units in the column names."""
        from cornerrun.results.tables import frames

        return frames(self.data)

    @cached_property
    def figures(self) -> Mapping[str, FigureView]:
        """Every figure by name."""
        from cornerrun.report.figures.gallery import figures

        drawn = figures(self.plan, self.summary, self.data)
        return {name: FigureView(drawing) for name, drawing in drawn.items()}

    @cached_property
    def page(self) -> str:
        """The page as HTML text."""
        from cornerrun.report.page.run_page import run_page

        return run_page(self.data, summary=self.summary, plan=self.plan)
