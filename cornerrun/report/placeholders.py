"""Fill in the placeholders that a template's user may write anywhere: ``{{serial}}`` becomes the serial."""

import re
from collections.abc import Mapping

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.header_footer import _HeaderFooterPart as _Part
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.errors import ReportError
from cornerrun.report.cell_text import cell_text, looks_like_formula
from cornerrun.report.looks import marked
from cornerrun.report.summary_model import Summary

__all__ = ["fill_placeholders", "placeholders"]

_LONGEST_IN_FOOTER = 60  # chosen: a header or footer holds 255 characters in all
_PLACEHOLDER = re.compile(r"\{\{\s*(\w+)\s*\}\}")


def placeholders(summary: Summary) -> Mapping[str, str]:
    """Return the text of each placeholder."""
    header = summary.header
    return {
        "result": marked(summary.result),
        "why": summary.why,
        "end_state": summary.end_state_text,
        "serial": header.serial,
        "board": header.board_name,
        "revision": header.board_revision,
        "title": header.title,
        "run_id": header.run_id,
        "operator": header.operator,
        "station": header.station,
        "bench": header.bench_id,
        "bench_kind": header.bench_kind.upper(),
        "started": f"{header.started_utc:%Y-%m-%d %H:%M:%S} UTC",
        "ended": "" if header.ended_utc is None else f"{header.ended_utc:%Y-%m-%d %H:%M:%S} UTC",
    }


def fill_placeholders(workbook: Workbook, texts: Mapping[str, str]) -> None:
    """Replace every placeholder in cells, headers and footers.

    Raises ReportError naming the first one that is not known, with its place.
    """
    # An ampersand in a header begins a code, so that of a serial is doubled.
    short = {name: cell_text(text).replace("&", "&&")[:_LONGEST_IN_FOOTER] for name, text in texts.items()}
    for sheet in workbook.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell, Cell) and isinstance(cell.value, str) and _PLACEHOLDER.search(cell.value):
                    _fill_cell(sheet, cell, texts)
        for part in (
            *_parts(sheet.oddHeader, sheet.evenHeader, sheet.firstHeader),
            *_parts(sheet.oddFooter, sheet.evenFooter, sheet.firstFooter),
        ):
            if part.text:
                part.text = _filled(part.text, short, f"the header or footer of {sheet.title}")


def _fill_cell(sheet: Worksheet, cell: Cell, texts: Mapping[str, str]) -> None:
    was_formula = cell.data_type == "f"
    text = _filled(str(cell.value), texts, f"{sheet.title}!{cell.coordinate}")
    cell.value = cell_text(text)
    if not was_formula:
        cell.data_type = "s"
        if looks_like_formula(text):
            cell.quotePrefix = True


def _filled(text: str, texts: Mapping[str, str], where: str) -> str:
    def known(match: re.Match[str]) -> str:
        if match[1] not in texts:
            raise ReportError(f"{where}: {match[0]!r} is no placeholder; these are: {', '.join(texts)}")
        return texts[match[1]]

    return _PLACEHOLDER.sub(known, text)


def _parts(*items: HeaderFooterItem | None) -> list[_Part]:
    found = [part for item in items if item is not None for part in (item.left, item.center, item.right)]
    return [part for part in found if part is not None]
