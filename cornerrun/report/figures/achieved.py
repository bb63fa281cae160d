"""What each rail reached, at every level, in per cent of its nominal; windows shaded, hard limits as walls."""

from collections.abc import Mapping, Sequence

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.drawing import Box, Drawing, Ink, Line, Mark, MarkKind
from cornerrun.report.figures.rows import RowPlot
from cornerrun.results.control import good_visits
from cornerrun.results.records import Outcome, RunData

__all__ = ["achieved_voltages"]

_MOST_PERCENT = 25.0  # chosen: a rail that fell to nothing must not flatten all others


def achieved_voltages(plan: Plan, data: RunData) -> Drawing | None:
    """Draw the least and the greatest reading of each rail and level; None if nothing was read."""
    seen = _seen(plan, data)
    rails = [rail for rail in plan.rails if any(key[0] == rail.name for key in seen)]
    if not rails:
        return None
    ends = [0.0]
    for rail in rails:
        nominal_v = rail.nominal_v
        for limit_v in (rail.hard_limits.min_v, rail.hard_limits.max_v, *rail.levels.values()):
            ends.append(100 * (limit_v / nominal_v - 1))
        for level in rail.levels:
            ends += [100 * (volts / nominal_v - 1) for volts, _ in seen.get((rail.name, level), ())]
    reach = min(max(abs(end) for end in ends) * 1.06, _MOST_PERCENT)
    plot = RowPlot(
        names=[rail.name for rail in rails],
        low=-reach,
        high=reach,
        axis="per cent from nominal; shaded: the window of each level, walls: hard limits",
        pitch=20,
    )
    plot.upright(0.0, Ink.RULE)
    window = plan.criteria.voltage_window_ratio
    for row, rail in enumerate(rails):
        y, nominal_v = plot.y(row), rail.nominal_v
        for target_v in rail.levels.values():
            low, high = sorted(100 * (target_v * (1 + sign * window) / nominal_v - 1) for sign in (-1, 1))
            plot.add(Box(x=plot.x(low), y=y - 8, width=plot.x(high) - plot.x(low), height=16, fill=Ink.BAND))
        for limit_v in (rail.hard_limits.min_v, rail.hard_limits.max_v):
            x = plot.x(100 * (limit_v / nominal_v - 1))
            plot.add(Line(points=((x, y - 9), (x, y + 9)), stroke=Ink.INK, width=2.5))
        for level in rail.levels:
            readings = seen.get((rail.name, level), ())
            if readings:
                _level(plot, row, rail, level, readings)
    about = f"What {len(rails)} rails reached at their levels, against windows and hard limits"
    return plot.drawing(title="Achieved voltage", about=about)


def _level(plot: RowPlot, row: int, rail: Rail, level: str, readings: Sequence[tuple[float, bool]]) -> None:
    percents = [100 * (volts / rail.nominal_v - 1) for volts, _ in readings]
    low, high = min(percents), max(percents)
    y = plot.y(row)
    plot.add(Line(points=((plot.x(low), y), (plot.x(high), y)), stroke=Ink.INK, width=3))
    is_bad = any(bad for _, bad in readings)
    low_v, high_v = min(volts for volts, _ in readings), max(volts for volts, _ in readings)
    hint = f"{rail.name[:100]} {level[:60]}: {low_v:.6g} to {high_v:.6g} V in {len(readings)} readings"
    for value in {round(low, 4), round(high, 4)}:
        kind: MarkKind = "square" if is_bad else "dot"
        ink = Ink.FAILED if is_bad else Ink.PASS
        plot.mark(row, value, Mark(x=0, y=0, ink=ink, kind=kind, size=7, hint=hint))


def _seen(plan: Plan, data: RunData) -> Mapping[tuple[str, str], Sequence[tuple[float, bool]]]:
    """Gather the readings of each rail and level, by the meter where it reaches, and whether the rail failed then."""
    found: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for record in good_visits(plan, data.visits):
        for item in record.readings:
            volts = item.reference_v if item.reference_v is not None else item.telemetry_v
            if volts is not None and item.outcome not in {Outcome.NOT_RUN, Outcome.SKIPPED}:
                found.setdefault((item.rail, item.level), []).append((volts, item.outcome.is_product_failure))
    return found
