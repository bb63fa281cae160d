"""Trim error of each rail: the mean at every set-point, its expanded uncertainty, and the claim as a band."""

from collections.abc import Mapping

from cornerrun.report.drawing import Drawing, Ink, Line, Mark, MarkKind
from cornerrun.report.figures.rows import RowPlot
from cornerrun.report.summary_model import Summary, TrimSummary

__all__ = ["trim_errors"]

_SIGNS: Mapping[str, MarkKind] = {"met": "dot", "not met": "square", "open": "triangle"}
_INKS = {"met": Ink.PASS, "not met": Ink.FAILED, "open": Ink.TROUBLE}


def trim_errors(summary: Summary) -> Drawing | None:
    """Draw every rail whose trim was measured, in per cent of the set-point; None if there is none."""
    found = [item for item in summary.trim if item.status == "measured" and item.levels]
    if not found:
        return None
    ends = [0.0]
    for item in found:
        for level in item.levels:
            ends += [level.mean_error_ratio - level.expanded_ratio, level.mean_error_ratio + level.expanded_ratio]
        if item.claim_ratio is not None:
            ends += [-item.claim_ratio, item.claim_ratio]
    reach = 100 * max(abs(end) for end in ends) * 1.08
    plot = RowPlot(
        names=[item.rail for item in found],
        low=-reach,
        high=reach,
        axis="reference reading less set-point, per cent of set-point; bars: expanded uncertainty (95 %), "
        "shaded: the claim",
        pitch=22,
    )
    plot.upright(0.0, Ink.RULE)
    for row, item in enumerate(found):
        if item.claim_ratio is not None:
            plot.band(-100 * item.claim_ratio, 100 * item.claim_ratio, rows=[row])
        _row(plot, row, item)
    return plot.drawing(title="Trim error", about=f"Trim error of {len(found)} rails at each set-point")


def _row(plot: RowPlot, row: int, item: TrimSummary) -> None:
    count = len(item.levels)
    ink = _INKS.get(item.claim, Ink.INK)
    for index, level in enumerate(item.levels):
        # Levels of one rail stand a little apart, so that their bars can be told from each other.
        offset = 0.0 if count == 1 else (index / (count - 1) - 0.5) * 9
        mean, reach = 100 * level.mean_error_ratio, 100 * level.expanded_ratio
        y = plot.y(row) + offset
        plot.add(*_bar(plot, mean - reach, mean + reach, y, ink))
        told = f"{mean:+.4f} ± {reach:.4f} % at {level.setpoint_v:.6g} V, n {level.n}"
        hint = f"{item.rail[:100]} {level.level[:60]}: {told}"
        kind = _SIGNS.get(item.claim, "diamond")
        plot.mark(row, mean, Mark(x=0, y=offset, ink=ink, kind=kind, size=6, hint=hint))


def _bar(plot: RowPlot, low: float, high: float, y: float, ink: Ink) -> tuple[Line, ...]:
    return (Line(points=((plot.x(low), y), (plot.x(high), y)), stroke=ink, width=2.2),)
