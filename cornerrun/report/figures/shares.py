"""How often trials passed, by check and corner: the share seen, and the interval of the probability behind it."""

from collections.abc import Mapping, Sequence

from cornerrun.report.drawing import Drawing, Ink, Mark
from cornerrun.report.figures.rows import RowPlot
from cornerrun.report.looks import ink_of, mark_of
from cornerrun.report.summary_model import CheckCorner, Summary

__all__ = ["MOST_ROWS", "pass_shares", "worst_first"]

MOST_ROWS = 30  # chosen: what a person compares at a glance; the table below holds them all


def worst_first(checks: Sequence[CheckCorner]) -> tuple[CheckCorner, ...]:
    """Sort by what is surely lost, then by name; those without a verdict come last."""
    return tuple(
        sorted(
            checks,
            key=lambda item: (item.trials == 0, item.pass_probability.high, -item.failures, item.corner, item.check),
        )
    )


def _short_names(summary: Summary) -> Mapping[str, str]:
    """Call corners by the levels of their conditions alone: a row has room for few letters."""
    return {
        corner.name: f"{corner.name.partition(' @ ')[0]} @ {', '.join(corner.condition_levels.values())}"
        if corner.condition_levels
        else corner.name
        for corner in summary.corners
    }


def pass_shares(summary: Summary) -> Drawing | None:
    """Draw the worst of all checks at corners; None without a trial."""
    found = [item for item in worst_first(summary.checks) if item.trials][:MOST_ROWS]
    if not found:
        return None
    several = len({item.check for item in summary.checks}) > 1
    short = _short_names(summary)
    names = [f"{item.check} · {item.corner}" if several else item.corner for item in found]
    shown = [
        f"{item.check} · {short.get(item.corner, item.corner)}" if several else short.get(item.corner, item.corner)
        for item in found
    ]
    low = min(item.pass_probability.low for item in found)
    plot = RowPlot(
        names=shown,
        low=max(0.0, min(low, 0.85) - 0.03),
        high=1.0,
        axis="probability that a trial on this board passes (exact interval, 95 % two-sided)",
        show=lambda value: f"{100 * value:g} %",
    )
    for row, item in enumerate(found):
        interval = item.pass_probability
        plot.reach(row, interval.low, interval.high, Ink.SOFT)
        hint = f"{names[row][:200]}: {item.failures} of {item.trials} trials failed, {item.decision}"
        share = 1 - item.failures / item.trials
        plot.mark(row, share, Mark(x=0, y=0, ink=ink_of(item.decision), kind=mark_of(item.decision), size=9, hint=hint))
    left_out = sum(1 for item in summary.checks if item.trials) - len(found)
    more = f"; {left_out} more lie higher" if left_out > 0 else ""
    return plot.drawing(title="Trials passed", about=f"The {len(found)} worst of checks at corners{more}")
