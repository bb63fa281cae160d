"""The pages of comparisons: two runs beside each other, and many together."""

from pathlib import Path

from cornerrun.errors import ReportError
from cornerrun.report.comparing.boards_nouns import BoardsSummary
from cornerrun.report.comparing.boards_tables import chart_table, outlier_table, run_table, yield_table
from cornerrun.report.comparing.compare_tables import (
    check_changes,
    corner_changes,
    differences,
    margin_changes,
    trim_changes,
)
from cornerrun.report.comparing.nouns import RunComparison
from cornerrun.report.drawing import Ink
from cornerrun.report.figures.control_chart import control_charts
from cornerrun.report.page.document import Part, Section, Verdict, render
from cornerrun.report.summary_model import Summary
from cornerrun.units import Kind, show

__all__ = ["boards_page", "comparison_page", "comparison_section", "write_text"]


def comparison_section(comparison: RunComparison) -> Section:
    """Make the section of a comparison, for the page of the run that is now."""
    header = comparison.a.header
    worse = comparison.worse
    lead = f"Beside run {header.run_id} of {header.serial}, {header.started_utc:%Y-%m-%d %H:%M} UTC. " + (
        f"{len(worse)} got worse." if worse else "Nothing is shown to have got worse."
    )
    tables = (
        ("What differs about the runs", differences(comparison)),
        ("Corners", corner_changes(comparison)),
        ("Checks at corners", check_changes(comparison)),
        ("Trim error", trim_changes(comparison)),
        ("Smallest margins", margin_changes(comparison)),
    )
    return Section(
        name="comparison",
        title="Comparison",
        lead=lead,
        notes=comparison.cautions,
        parts=tuple(
            Part(title=f"{title}: the same", table=None) if not table.rows else Part(title=title, table=table)
            for title, table in tables
        ),
    )


def comparison_page(comparison: RunComparison) -> str:
    """Make a page of the comparison alone."""
    a, b, worse = comparison.a.header, comparison.b.header, comparison.worse
    return render(
        title=f"{b.serial} against {a.serial}",
        verdict=Verdict(
            symbol="■" if worse else "▲",
            word="WORSE" if worse else "NO DIFFERENCE SHOWN",
            ink=Ink.FAILED if worse else Ink.TROUBLE,
            of=f"{b.serial} ({b.run_id}) against {a.serial} ({a.run_id})",
            why="; ".join(worse[:6]) + (f"; and {len(worse) - 6} more" if len(worse) > 6 else "")
            or "Nothing is shown to have got worse; the tables say what could have been detected.",
        ),
        facts=[
            ("Before", _fact(comparison.a)),
            ("Now", _fact(comparison.b)),
        ],
        sections=[comparison_section(comparison)],
        foot="Differences are now less before. A change is shown where its p-value, adjusted by Holm for the number of "
        "comparisons in its table, lies below 0.05.",
    )  # fmt: skip


def _fact(summary: Summary) -> str:
    header = summary.header
    board = f"{header.serial}, {header.board_name} {header.board_revision}, {summary.result}"
    return f"{board}, {header.started_utc:%Y-%m-%d %H:%M:%S} UTC, {header.station}"


def boards_page(summary: BoardsSummary) -> str:
    """Make the page of many runs together."""
    total = summary.total
    share = "no verdict" if total.final.estimate is None else show(total.final.estimate, Kind.RATIO, digits=3)
    ink = Ink.NOT_RUN if total.final.estimate is None else Ink.PASS if total.final.estimate == 1 else Ink.FAILED
    chart = control_charts(summary)
    span = ""
    if summary.first_utc is not None and summary.last_utc is not None:
        span = f"{summary.first_utc:%Y-%m-%d} to {summary.last_utc:%Y-%m-%d}"
    sections = [
        Section(
            name="yield",
            title="Yield",
            lead="Boards are counted, not visits or trials. First pass: at the first run that met it; "
            "final: at the last. Holds (`goto`) are no runs of a plan and count nowhere.",
            parts=(Part(table=yield_table(summary)),),
        ),
        Section(
            name="trim",
            title="Trim error over boards",
            lead="One value a board: its mean trim error over all set-points, at its first run with a meter. "
            "Limits are of a chart of individuals; a jump is a board further from the one before it than the limit of "
            "the moving range."
            if summary.charts
            else "No run has a meter reading.",
            parts=(
                Part(drawing=chart),
                Part(title="Every rail", table=chart_table(summary), is_folded=True) if summary.charts else Part(),
            ),
        ),
        Section(
            name="outliers",
            title="Outliers",
            lead="Boards beyond six robust standard deviations from the median of all. A board that helps to set its "
            "limits may hide itself.",
            parts=(Part(table=outlier_table(summary)) if summary.outliers else Part(title="none"),),
        ),
        Section(name="cautions", title="Cautions", notes=summary.cautions or ("none",)),
        Section(name="runs", title="Runs", parts=(Part(title="Every run", table=run_table(summary), is_folded=True),)),
    ]
    return render(
        title=f"{summary.boards} boards",
        verdict=Verdict(
            symbol={Ink.PASS: "●", Ink.FAILED: "■"}.get(ink, "○"),
            word=share,
            ink=ink,
            of=f"of {total.final_boards} boards passed at last",
            why=f"At their first run {total.first_passed} of {total.first_boards} passed; {total.recovered} passed "
            f"only later. {summary.runs} runs, {span}.",
        ),
        facts=[
            ("Stations", ", ".join(f"{name or 'not stated'} ({count})" for name, count in summary.stations.items())),
            ("Plans", ", ".join(f"{name} ({count})" for name, count in list(summary.titles.items())[:6])),
            ("Results", ", ".join(f"{result} {count}" for result, count in summary.results.items())),
        ],
        sections=sections,
        simulated="SIMULATED benches are among these runs: nothing here says anything of real boards."
        if any(item.is_simulated for item in summary.digests)
        else "",
        foot="Intervals are exact (Clopper-Pearson, 95 %).",
    )


def write_text(text: str, path: Path) -> Path:
    """Write a page to a file, its folder made if need be. Raises ReportError if it cannot be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ReportError(f"{path}: the page cannot be written: {error.strerror or error}") from error
    return path
