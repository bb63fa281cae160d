"""Control charts of trim error over boards, one strip a rail, those with points beyond their limits first."""

from cornerrun.report.comparing.boards_nouns import BoardsSummary, RailChart
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, Shape, shortened
from cornerrun.report.figures.rows import span_of

__all__ = ["control_charts"]

_WIDTH, _STRIP, _LEFT, _RIGHT = 900.0, 104.0, 150.0, 70.0
_APART = 11.0
_MOST_STRIPS = 16  # chosen: two pages; the table holds all rails
_MOST_POINTS = 600  # beyond that, points between limits are thinned: they would cover each other


def control_charts(summary: BoardsSummary) -> Drawing | None:
    """Draw the charts of rails with at least two boards; None without any."""
    found = [chart for chart in summary.charts if chart.centre is not None]
    if not found:
        return None
    shown = sorted(found, key=lambda chart: -len(chart.beyond))[:_MOST_STRIPS]
    shapes: list[Shape] = []
    for index, chart in enumerate(shown):
        shapes.extend(_strip(chart, 6 + index * _STRIP))
    left_out = len(found) - len(shown)
    more = f"; {left_out} further rails stand in the table" if left_out else ""
    bottom = 6 + len(shown) * _STRIP
    text = f"boards in order of their first run; dashed: three-sigma limits of individuals{more}"
    shapes.append(Label(x=_LEFT, y=bottom + 14, text=text, ink=Ink.SOFT))
    return Drawing(
        width=_WIDTH,
        height=bottom + 24,
        shapes=tuple(shapes),
        title="Trim error over boards",
        about=f"Control charts of the trim error of {len(shown)} rails",
    )


def _strip(chart: RailChart, top: float) -> list[Shape]:
    limits = [value for value in (chart.lower, chart.upper, chart.centre) if value is not None]
    low, high = span_of([*chart.errors_ratio, *limits], room=0.1)
    height = _STRIP - 22

    def y(value: float) -> float:
        return top + height * (high - value) / (high - low)

    def x(index: int) -> float:
        return _LEFT + (index + 0.5) / len(chart.errors_ratio) * (_WIDTH - _LEFT - _RIGHT)

    right = _WIDTH - _RIGHT
    shapes: list[Shape] = [
        Box(x=_LEFT, y=top, width=right - _LEFT, height=height, fill=Ink.BAND),
        Label(x=_LEFT - 8, y=top + 14, text=shortened(chart.rail, 20), anchor="end", is_bold=True),
        Label(
            x=_LEFT - 8, y=top + 30, text=f"{len(chart.errors_ratio)} boards", anchor="end", size=10, ink=Ink.SOFT
        ),
        Label(
            x=_LEFT - 8, y=top + 45, text=f"{len(chart.beyond)} beyond", anchor="end", size=10,
            ink=Ink.FAILED if chart.beyond else Ink.SOFT, is_bold=bool(chart.beyond),
        ),
    ]  # fmt: skip
    for value, is_dashed in ((chart.lower, True), (chart.centre, False), (chart.upper, True)):
        if value is not None:
            shapes.append(Line(points=((_LEFT, y(value)), (right, y(value))), stroke=Ink.SOFT, is_dashed=is_dashed))
    labels: list[float] = []
    for value in (chart.upper, chart.lower, chart.centre):
        # Limits that lie close together would have their labels over each other: the first of them stays.
        if value is not None and all(abs(y(value) - other) >= _APART for other in labels):
            labels.append(y(value))
            shapes.append(Label(x=right + 6, y=y(value) + 4, text=f"{100 * value:+.3f} %", size=10, ink=Ink.SOFT))
    beyond = set(chart.beyond)
    step = max(1, -(-len(chart.errors_ratio) // _MOST_POINTS))
    for index, (serial, error) in enumerate(zip(chart.serials, chart.errors_ratio, strict=True)):
        hint = f"{serial[:80]}: {100 * error:+.4f} %"
        if serial in beyond:
            shapes.append(Mark(x=x(index), y=y(error), ink=Ink.FAILED, kind="square", size=8, hint=hint))
        elif index % step == 0:
            shapes.append(Mark(x=x(index), y=y(error), ink=Ink.PASS, size=4.5, hint=hint))
    return shapes
