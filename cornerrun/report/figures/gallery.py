"""Every figure of a run, by the name of its file, and written to a folder."""

from collections.abc import Mapping
from pathlib import Path

from cornerrun.errors import ReportError
from cornerrun.plan.model import Plan
from cornerrun.report.drawing import Drawing
from cornerrun.report.figures.achieved import achieved_voltages
from cornerrun.report.figures.conditions import condition_timeline
from cornerrun.report.figures.corner_map import corner_map
from cornerrun.report.figures.interaction import interaction_matrix
from cornerrun.report.figures.pareto import pareto
from cornerrun.report.figures.settling import settle_times
from cornerrun.report.figures.shares import pass_shares
from cornerrun.report.figures.timeline import fault_timeline
from cornerrun.report.figures.trim import trim_errors
from cornerrun.report.png import write_png
from cornerrun.report.summary_model import Summary
from cornerrun.report.svg import to_svg
from cornerrun.results.control import mark_void
from cornerrun.results.records import RunData

__all__ = ["figures", "write_drawings", "write_figures"]


def figures(plan: Plan, summary: Summary, data: RunData) -> Mapping[str, Drawing]:
    """Draw every figure that the run has something to show in."""
    data = mark_void(plan, data)
    drawn = {
        "corners": corner_map(plan, summary, data),
        "pass-shares": pass_shares(summary),
        "causes": pareto(data),
        "trim-error": trim_errors(summary),
        "achieved-voltage": achieved_voltages(plan, data),
        "settling": settle_times(plan, data),
        "conditions": condition_timeline(summary, data),
        "faults": fault_timeline(summary, data),
        "interaction": interaction_matrix(plan, data.proof),
    }
    return {name: drawing for name, drawing in drawn.items() if drawing is not None}


def write_figures(plan: Plan, summary: Summary, data: RunData, directory: Path) -> tuple[Path, ...]:
    """Write every figure as SVG and as PNG into a folder, made if need be. ReportError if it cannot be written."""
    return write_drawings(figures(plan, summary, data), directory)


def write_drawings(drawings: Mapping[str, Drawing], directory: Path) -> tuple[Path, ...]:
    """Write drawings by name, each as SVG and as PNG."""
    written = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name, drawing in drawings.items():
            path = directory / f"{name}.svg"
            path.write_text(to_svg(drawing, is_alone=True), encoding="utf-8")
            written += [path, write_png(drawing, directory / f"{name}.png")]
    except OSError as error:
        raise ReportError(f"{directory}: the figures cannot be written: {error.strerror or error}") from error
    return tuple(written)
