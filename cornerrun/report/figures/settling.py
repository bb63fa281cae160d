"""How long each rail took to settle: least, median and greatest, with the time-out of the plan as a wall."""

from collections.abc import Mapping, Sequence
from statistics import median

from cornerrun.plan.model import Plan
from cornerrun.report.drawing import Drawing, Ink, Line, Mark
from cornerrun.report.figures.rows import RowPlot
from cornerrun.results.records import Outcome, RunData

__all__ = ["settle_seconds", "settle_times"]


def settle_seconds(data: RunData) -> Mapping[str, Sequence[tuple[float, bool]]]:
    """Gather the settling times of each rail, and whether it did settle, over all visits."""
    found: dict[str, list[tuple[float, bool]]] = {}
    for record in data.visits:
        for item in record.readings:
            if item.settle_s is not None and item.settle_s == item.settle_s:
                found.setdefault(item.rail, []).append((item.settle_s, item.outcome is not Outcome.NOT_SETTLED))
    return found


def settle_times(plan: Plan, data: RunData) -> Drawing | None:
    """Draw every rail that moved; None if none did."""
    times = settle_seconds(data)
    rails = [rail for rail in plan.rails if rail.name in times]
    if not rails:
        return None
    longest = max(seconds for rail in rails for seconds, _ in times[rail.name])
    plot = RowPlot(
        names=[rail.name for rail in rails],
        low=0.0,
        high=1e3 * longest * 1.12,
        axis="milliseconds from command to rest; bar: least to greatest, diamond: median",
    )
    for row, rail in enumerate(rails):
        seconds = [1e3 * value for value, _ in times[rail.name]]
        y = plot.y(row)
        plot.add(Line(points=((plot.x(min(seconds)), y), (plot.x(max(seconds)), y)), stroke=Ink.SOFT, width=4))
        hint = f"{rail.name[:100]}: {min(seconds):.4g} to {max(seconds):.4g} ms in {len(seconds)} moves"
        plot.mark(row, median(seconds), Mark(x=0, y=0, ink=Ink.INK, kind="diamond", size=9, hint=hint))
        late = sum(1 for _, is_settled in times[rail.name] if not is_settled)
        if late:
            hint = f"{rail.name[:100]}: {late} of {len(seconds)} moves did not settle"
            plot.mark(row, max(seconds), Mark(x=0, y=0, ink=Ink.FAILED, kind="square", size=10, hint=hint))
        timeout_ms = 1e3 * rail.settle.timeout_s
        if timeout_ms <= 1e3 * longest * 1.12:
            x = plot.x(timeout_ms)
            plot.add(Line(points=((x, y - 8), (x, y + 8)), stroke=Ink.INK, width=2.5))
    return plot.drawing(title="Settling", about=f"Settling times of {len(rails)} rails")
