"""Make the template that comes with the product: ``python -m cornerrun.report.template_maker FILE``.

The result lies in results_template/ and is the user's to change from there; nothing here runs when a report is made.
"""

import sys
from collections.abc import Mapping
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, NamedStyle, PatternFill, Side
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.header_footer import _HeaderFooterPart as _FooterPart
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.report.looks import Style

__all__ = ["make_template"]

_FONT = "Arial"  # on every machine, or replaced by one of the same widths
_INK = "1F2A33"
_PALE = "5B6770"
_LINE = "C7CED4"
_HEAD_FILL = "2F3E4A"
_BLUE = "0B5A8F"
# Fills after the palette of Okabe and Ito, "Color Universal Design", from memory: blue, vermillion, yellow, grey. They
# also differ in lightness, so that a grey print still tells them apart.
_PASS_FILL, _FAILED_FILL, _TROUBLE_FILL, _NOT_RUN_FILL = "DCEBF6", "B34700", "F6E04A", "ECEEF0"

_TITLES = {
    "cr_summary": (
        "Summary",
        "What failed, where, how sure.   ● passed   ■ the product failed   ▲ open, or bench trouble   ○ not run",
    ),
    "cr_signoff": (
        "Sign-off",
        "What a reviewer must find before putting a name below it; every number stands on another sheet as well.",
    ),
    "cr_corners": (
        "Corners",
        "One row a corner over all its visits that count. Rail columns: per cent from nominal; a dot is nominal.",
    ),
    "cr_visits": ("Visits", "One row a visit, in order of time. A void visit counts for nothing elsewhere."),
    "cr_checks": (
        "Checks",
        "One row a check and corner. The interval is of the probability that a trial on this board passes here.",
    ),
    "cr_culprits": (
        "Culprits",
        "Who may be to blame for what failed, by what evidence, and the corner that would tell more.",
    ),
    "cr_rails": (
        "Rails",
        "One row a rail. A margin is the distance of a settled reading from a limit; negative lies beyond it.",
    ),
    "cr_accuracy": (
        "Set-point accuracy",
        "Trim error is reference reading less set-point. Uncertainties are expanded, 95 %, the meter's included.",
    ),
    "cr_setpoints": (
        "Set-points",
        "One row a rail and level: what was asked for, what the device holds, and how far the output lay from that.",
    ),
    "cr_telemetry": (
        "Telemetry",
        "One row a rail: device reading less meter reading. Uncertainties are expanded, 95 %, the meter's included.",
    ),
    "cr_interaction": (
        "Interaction",
        "Wiring proof: a row a rail that was stepped alone, by what share of that step each rail moved along.",
    ),
    "cr_numbers": (
        "Numbers",
        "One row a number that a check returned at a corner, the nearest to its limit first, distances in its unit.",
    ),
    "cr_readings": ("Readings", "One row a rail and visit. Trim error is empty where no meter read the rail."),
    "cr_trials": (
        "Trials",
        "One row a check and visit. Trials have a verdict; one that hung where the control point passed has failed.",
    ),
    "cr_events": ("Events", "All that went another way than planned, in order of time."),
    "cr_plan": ("Plan", "What was asked for, with what, and where it is written."),
    "cr_guide": ("Guide", "What each column means, and how the workbook is to be read."),
}
# How many pages wide a sheet prints; None: at a fixed scale, broken where the report says.
_PAGES_WIDE: Mapping[str, int | None] = {
    "cr_corners": None,
    "cr_checks": 2,
    "cr_rails": 2,
    "cr_accuracy": 2,
    "cr_readings": 2,
}


def make_template(path: Path) -> None:
    """Write the template to a file."""
    book = Workbook()
    for style in _styles():
        book.add_named_style(style)
    book.remove(book.worksheets[0])
    for anchor, (title, guide) in _TITLES.items():
        sheet = book.create_sheet(title)
        _lay_out(sheet, guide, pages_wide=_PAGES_WIDE.get(anchor, 1))
        name = DefinedName(anchor, attr_text=f"'{title}'!$A$4")
        book.defined_names[anchor] = name
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)


def _lay_out(sheet: Worksheet, guide: str, *, pages_wide: int | None) -> None:
    sheet["A1"] = sheet.title
    sheet["A1"].style = Style.SHEET_TITLE
    sheet["A2"] = guide
    sheet["A2"].style = Style.GUIDE
    sheet.row_dimensions[1].height = 24
    sheet.sheet_view.showGridLines = False
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.orientation = "landscape"
    if pages_wide is None:
        sheet.page_setup.scale = 52  # chosen: 40 rail columns fit one page beside the names of corners
    else:
        sheet.page_setup.fitToWidth = pages_wide
        sheet.page_setup.fitToHeight = 0
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top = 0.5
    sheet.page_margins.bottom = 0.6
    sheet.oddFooter = HeaderFooterItem(
        left=_FooterPart(text="{{serial}}  ·  {{run_id}}", size=8),
        center=_FooterPart(text="&A", size=8),
        right=_FooterPart(text="&P / &N", size=8),
    )


def _styles() -> list[NamedStyle]:
    thin = Side(style="thin", color=_LINE)
    under = Border(bottom=thin)
    strong = Border(bottom=Side(style="medium", color=_HEAD_FILL))
    middle = Alignment(horizontal="left", vertical="center", indent=1)
    right = Alignment(horizontal="right", vertical="center", indent=1)
    wrap = Alignment(horizontal="left", vertical="center", wrap_text=True, indent=1)
    plain = _font()
    made = [
        _style(Style.SHEET_TITLE, font=_font(16, bold=True)),
        _style(Style.GUIDE, font=_font(9, color=_PALE)),
        _style(Style.BANNER_PASS, font=_font(20, bold=True, color="FFFFFF"), fill=_BLUE, alignment=middle),
        _style(Style.BANNER_FAILED, font=_font(20, bold=True, color="FFFFFF"), fill=_FAILED_FILL, alignment=middle),
        _style(Style.BANNER_TROUBLE, font=_font(20, bold=True), fill=_TROUBLE_FILL, alignment=middle),
        _style(Style.WHY, font=_font(11), alignment=wrap),
        _style(Style.BLOCK, font=_font(12, bold=True), border=strong, alignment=Alignment(vertical="bottom")),
        _style(
            Style.HEAD,
            font=_font(9, bold=True, color="FFFFFF"),
            fill=_HEAD_FILL,
            alignment=Alignment(horizontal="center", vertical="center", wrap_text=True),
        ),
        _style(
            Style.HEAD_TURNED,
            font=_font(9, bold=True, color="FFFFFF"),
            fill=_HEAD_FILL,
            alignment=Alignment(horizontal="center", vertical="bottom", text_rotation=90),
        ),
        _style(Style.LABEL, font=_font(color=_PALE), border=under, alignment=middle),
        _style(Style.TEXT, font=plain, border=under, alignment=middle),
        _style(Style.WRAPPED, font=plain, border=under, alignment=wrap),
        _style(Style.TIME, font=plain, border=under, alignment=right, number="yyyy-mm-dd hh:mm:ss"),
        _style(Style.CODE, font=Font(name="Courier New", size=9, color=_INK), border=under, alignment=middle),
        _style(Style.CAUTION, font=_font(), fill="FFF7C2", border=under, alignment=wrap),
    ]
    numbers = {
        Style.COUNT: "#,##0",
        Style.VOLTS: '0.00000" V"',
        Style.MILLIVOLTS: '+0.000" mV";-0.000" mV";0.000" mV"',
        Style.PLUS_MINUS_MILLIVOLTS: '0.000" mV"',
        Style.PERCENT: "0.000%",
        Style.SIGNED_PERCENT: "+0.000%;-0.000%;0.000%",
        Style.SHARE: "0.0%",
        Style.SECONDS: '0.000" s"',
        Style.AMPERES: '0.000" A"',
        Style.DEGREES: '0.0" °C"',
        Style.NUMBER: "General",
    }
    made += [_style(name, font=plain, border=under, alignment=right, number=text) for name, text in numbers.items()]
    centred = Alignment(horizontal="center", vertical="center")
    level = '+0.0;-0.0;"·"'
    made += [
        _style(Style.MAP_NOMINAL, font=_font(8, color=_PALE), border=under, alignment=centred, number=level),
        _style(Style.MAP_HIGH, font=_font(8, bold=True), fill="CFE0EC", border=under, alignment=centred, number=level),
        _style(Style.MAP_LOW, font=_font(8, bold=True), fill="F3E3CF", border=under, alignment=centred, number=level),
        _style(Style.PASS, font=_font(color="083F66"), fill=_PASS_FILL, border=under, alignment=middle),
        _style(Style.FAILED, font=_font(bold=True, color="FFFFFF"), fill=_FAILED_FILL, border=under, alignment=middle),
        _style(Style.TROUBLE, font=_font(bold=True), fill=_TROUBLE_FILL, border=under, alignment=middle),
        _style(Style.NOT_RUN, font=_font(color=_PALE), fill=_NOT_RUN_FILL, border=under, alignment=middle),
    ]
    return made


def _font(size: int = 10, *, bold: bool = False, color: str = _INK) -> Font:
    return Font(name=_FONT, size=size, bold=bold, color=color)


def _style(
    name: Style,
    *,
    font: Font,
    fill: str | None = None,
    border: Border | None = None,
    alignment: Alignment | None = None,
    number: str = "General",
) -> NamedStyle:
    return NamedStyle(
        name=name.value,
        font=font,
        fill=PatternFill("solid", fgColor=fill) if fill else PatternFill(),
        border=border or Border(),
        alignment=alignment or Alignment(),
        number_format=number,
    )


if __name__ == "__main__":
    make_template(Path(sys.argv[1]))
