"""The native charts: trim error of rails within their claims, the share passed at each corner, conditions over time."""

from typing import Literal

from openpyxl.chart import BarChart, LineChart, Reference, ScatterChart, Series
from openpyxl.chart.axis import ChartLines
from openpyxl.chart.data_source import NumFmt
from openpyxl.chart.legend import Legend, LegendEntry
from openpyxl.chart.marker import Marker
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.chart.text import RichText, Text
from openpyxl.chart.title import Title
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.text import (
    CharacterProperties,
    Paragraph,
    ParagraphProperties,
    RegularTextRun,
    RichTextProperties,
)
from openpyxl.utils import column_index_from_string
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.report.book import Block

__all__ = ["condition_chart", "pass_chart", "trim_chart"]

_BAND = "C9D9E6"
_GRID = "DDE2E6"
_INK = "1F2A33"
# As the fills of outcomes in the template: light and dark, so that a grey print still tells them apart.
_PASSED, _FAILED = "9DBFD8", "B34700"
_SENT = "9AA5AD"
_MARKERS: tuple[tuple[str, Literal["diamond", "circle", "triangle"], str], ...] = (
    ("Error at low", "diamond", "7A3E00"),
    ("Error at nominal", "circle", "1F2A33"),
    ("Error at high", "triangle", "0B5A8F"),
)
# Turns of names under a chart, in the file's unit of a 60,000th of a degree.
_SLANTED, _UPRIGHT = -2_700_000, -5_400_000
_MOST_SLANTED = 16  # chosen: more names than that run into each other when slanted
_MOST_BARS = 20  # chosen: more names than that cannot be read


def trim_chart(sheet: Worksheet, rails: Block, measured: int, *, width_cm: float, height_cm: float) -> BarChart:
    """Draw the mean trim error of each measured rail at low, nominal and high over the band of its claim."""
    band = BarChart()
    band.type = "col"
    band.grouping = "stacked"
    band.overlap = 100
    band.gapWidth = 0
    names = _reference(sheet, rails, "Rail", measured)
    for head, title in (("Claim to", "claim"), ("Claim from", "")):
        series = Series(_reference(sheet, rails, head, measured), title=title or "claim, negative side")
        series.graphicalProperties = GraphicalProperties(solidFill=_BAND)
        series.graphicalProperties.line = LineProperties(noFill=True)
        series.invertIfNegative = False
        band.series.append(series)
    band.set_categories(names)
    points = LineChart()
    for head, symbol, colour in _MARKERS:
        series = Series(_reference(sheet, rails, head, measured), title=head.removeprefix("Error "))
        series.marker = Marker(symbol=symbol, size=7)
        series.marker.graphicalProperties = GraphicalProperties(solidFill=colour)
        series.marker.graphicalProperties.line = LineProperties(solidFill="FFFFFF", w=6350)
        series.graphicalProperties = GraphicalProperties()
        series.graphicalProperties.line = LineProperties(noFill=True)
        series.smooth = False
        points.series.append(series)
    points.set_categories(names)
    _finish(
        band,
        "Trim error of set-point, by rail; the band is the claim",
        "0.00%",
        names=measured,
        width_cm=width_cm,
        height_cm=height_cm,
    )
    band.x_axis.tickLblPos = "low"
    band.legend.legendEntry = [LegendEntry(idx=1, delete=True)]
    band += points
    return band


def pass_chart(sheet: Worksheet, rows: Block, *, has_trials: bool, width_cm: float, height_cm: float) -> BarChart:
    """Draw the share of trials that passed and failed at each corner, or of visits where the plan has no checks.

    ``rows`` holds them worst first: the chart shows as many as can be read. The name beside a bar carries the shape of
    its corner's outcome; a corner without trials has no bar.
    """
    count = rows.last_row - rows.first_row + 1
    shown = min(count, _MOST_BARS)
    chart = BarChart()
    chart.type = "bar"
    chart.grouping = "stacked"
    chart.overlap = 100
    chart.gapWidth = 30
    for head, colour in (("passed", _PASSED), ("failed", _FAILED)):
        series = Series(_reference(sheet, rows, head, shown), title=head)
        series.graphicalProperties = GraphicalProperties(solidFill=colour)
        series.invertIfNegative = False
        chart.series.append(series)
    chart.set_categories(_reference(sheet, rows, "Worst first", shown))
    what = "trials passed and failed, of its worst check" if has_trials else "visits passed and failed"
    title = f"Each corner: share of {what}"
    title += f"; the {shown} worst of {count}" if shown < count else ", worst first"
    _finish(chart, title, "0%", names=0, width_cm=width_cm, height_cm=height_cm)
    # The first row stands on top, and the scale below.
    chart.x_axis.scaling.orientation = "maxMin"
    chart.x_axis.tickLblSkip = 1
    chart.y_axis.crosses = "max"
    chart.y_axis.scaling.min = 0
    chart.y_axis.scaling.max = 1
    chart.y_axis.majorUnit = 0.25
    return chart


def condition_chart(
    sheet: Worksheet, sent: Block, read: Block, title: str, *, end: float, width_cm: float, height_cm: float
) -> ScatterChart:
    """Draw the way of a condition over the time of the run, of which ``end`` is the last: as it was sent and read."""
    chart = ScatterChart()
    chart.style = 13
    chart.scatterStyle = "lineMarker"
    for block, name, colour, width in ((sent, "as sent", _SENT, 12_700), (read, "as read", _INK, 25_400)):
        times, values = (_reference(sheet, block, head, block.last_row - block.first_row + 1) for head in block.heads)
        series = Series(values, times, title=name)
        series.marker = Marker(symbol="none")
        series.graphicalProperties = GraphicalProperties(ln=LineProperties(solidFill=colour, w=width))
        series.smooth = False
        chart.series.append(series)
    _finish(chart, title, "General", names=0, width_cm=width_cm, height_cm=height_cm)
    chart.x_axis.numFmt = NumFmt(formatCode="General", sourceLinked=False)
    chart.x_axis.majorGridlines = None
    chart.x_axis.scaling.min, chart.x_axis.scaling.max = 0, end
    # Below zero degrees too, the time stands at the bottom.
    chart.x_axis.tickLblPos = "low"
    return chart


def _reference(sheet: Worksheet, block: Block, head: str, rows: int) -> Reference:
    column = column_index_from_string(block.letter(head))
    last = block.first_row + max(rows, 1) - 1
    return Reference(sheet, min_col=column, max_col=column, min_row=block.first_row, max_row=last)


def _finish(
    chart: BarChart | ScatterChart, title: str, number: str, *, names: int, width_cm: float, height_cm: float
) -> None:
    text = CharacterProperties(sz=1100, b=True, solidFill=_INK)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=text), r=[RegularTextRun(rPr=text, t=title)])
    chart.title = Title(tx=Text(rich=RichText(bodyPr=RichTextProperties(), p=[paragraph])), overlay=False)
    vars(chart).update(width=width_cm, height=height_cm)  # the stubs know whole centimetres only
    chart.legend = Legend(legendPos="t")
    chart.y_axis.numFmt = NumFmt(formatCode=number, sourceLinked=False)
    chart.y_axis.majorGridlines = ChartLines(spPr=GraphicalProperties(ln=LineProperties(solidFill=_GRID, w=6350)))
    small = CharacterProperties(sz=800, solidFill=_INK)
    turn = _UPRIGHT if names > _MOST_SLANTED else _SLANTED if names else 0
    for axis in (chart.x_axis, chart.y_axis):
        axis.delete = False
        axis.txPr = RichText(
            bodyPr=RichTextProperties(rot=turn if axis is chart.x_axis else 0),
            p=[Paragraph(pPr=ParagraphProperties(defRPr=small), endParaRPr=small)],
        )
        axis.graphicalProperties = GraphicalProperties(ln=LineProperties(solidFill=_GRID))
    chart.graphical_properties = GraphicalProperties(ln=LineProperties(noFill=True))
