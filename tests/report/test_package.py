import io
import stat
from datetime import UTC, datetime
from zipfile import ZipFile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.errors import ReportError
from cornerrun.report.package import finish
from cornerrun.report.parts import sheet_parts
from cornerrun.report.stream import RowStream, Styled

WHEN = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


def saved(book):
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def a_book():
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Sums & <more>"
    sheet["A1"] = 2
    sheet["A2"] = 3
    sheet["A3"] = "=SUM(A1:A2)"
    sheet["A4"] = '=IF(A3=5,"five","other")'
    sheet["A5"] = "=A3=5"
    data = book.create_sheet("Data")
    data.append(["name", "reading"])
    return book


def a_stream(rows, **changes):
    fields = {"sheet": "Data", "first_row": 2, "column": 1, "count": len(rows), "styles": (0, 0), "quoted": (0, 0)}
    return RowStream(**{**fields, "rows": rows, **changes})


def test_a_cell_holds_formula_and_cached_value_at_once(tmp_path):
    path = tmp_path / "a.xlsx"
    cached = {"Sums & <more>": {"A3": 5, "A4": "five", "A5": True}}
    finish(saved(a_book()), path, cached=cached, modified=WHEN)
    formulas = openpyxl.load_workbook(path)["Sums & <more>"]
    assert [formulas[cell].value for cell in ("A3", "A5")] == ["=SUM(A1:A2)", "=A3=5"]
    values = openpyxl.load_workbook(path, data_only=True)["Sums & <more>"]
    assert [values[cell].value for cell in ("A3", "A4", "A5")] == [5, "five", True]


def test_a_cached_value_without_a_formula_is_an_error(tmp_path):
    with pytest.raises(KeyError, match="no formula in B9"):
        finish(saved(a_book()), tmp_path / "a.xlsx", cached={"Data": {"B9": 1}}, modified=WHEN)
    assert list(tmp_path.iterdir()) == []


def test_streamed_rows_read_back_with_their_types(tmp_path):
    path = tmp_path / "a.xlsx"
    rows = [("a", 1.5), ("00123", 7), (None, 1e-300), ("x", True), (Styled("y", 0), Styled(2.5, 0))]
    finish(saved(a_book()), path, cached={}, streams=[a_stream(rows)], modified=WHEN)
    sheet = openpyxl.load_workbook(path)["Data"]
    found = [tuple(cell.value for cell in row) for row in sheet.iter_rows(min_row=2)]
    assert found == [("a", 1.5), ("00123", 7), (None, 1e-300), ("x", True), ("y", 2.5)]
    assert sheet.dimensions == "A1:B6"


def test_numbers_that_are_none_become_their_words(tmp_path):
    path = tmp_path / "a.xlsx"
    finish(
        saved(a_book()), path, cached={}, streams=[a_stream([("a", float("nan")), ("b", float("-inf"))])], modified=WHEN
    )
    sheet = openpyxl.load_workbook(path)["Data"]
    assert [sheet["B2"].value, sheet["B3"].value] == ["nan", "-inf"]


@settings(max_examples=30, deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_a_text_cell_and_the_file_stays_readable(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("any") / "a.xlsx"
    finish(saved(a_book()), path, cached={}, streams=[a_stream([(text, 1.0)])], modified=WHEN)
    cell = openpyxl.load_workbook(path)["Data"]["A2"]
    assert cell.data_type == "s" or cell.value is None
    if text.isprintable() and "_x" not in text:
        assert (cell.value or "") == text


def test_text_that_looks_like_a_formula_gets_the_quoted_style(tmp_path):
    path = tmp_path / "a.xlsx"
    book = a_book()
    book["Data"]["D1"].quotePrefix = True
    style = book["Data"]["D1"].style_id
    rows = [("=1+1", 1.0), ("plain", 2.0)]
    finish(saved(book), path, cached={}, streams=[a_stream(rows, quoted=(style, 0))], modified=WHEN)
    sheet = openpyxl.load_workbook(path)["Data"]
    assert (sheet["A2"].value, sheet["A2"].data_type, sheet["A2"].quotePrefix) == ("=1+1", "s", True)
    assert not sheet["A3"].quotePrefix


def test_a_row_of_another_width_or_one_too_many_is_refused_and_leaves_no_file(tmp_path):
    for stream in (a_stream([("a", 1.0, 2.0)]), a_stream([("a", 1.0)] * 3, count=2)):
        with pytest.raises(ValueError, match=r"argument|more rows"):
            finish(saved(a_book()), tmp_path / "a.xlsx", cached={}, streams=[stream], modified=WHEN)
    assert list(tmp_path.iterdir()) == []


def test_the_same_content_gives_the_same_bytes(tmp_path):
    first, second = tmp_path / "a.xlsx", tmp_path / "b.xlsx"
    finish(saved(a_book()), first, cached={}, streams=[a_stream([("a", 1.0)])], modified=WHEN)
    later = a_book()
    finish(saved(later), second, cached={}, streams=[a_stream([("a", 1.0)])], modified=WHEN)
    with ZipFile(first) as one, ZipFile(second) as two:
        assert one.namelist() == two.namelist()
        different = [name for name in one.namelist() if one.read(name) != two.read(name)]
    assert different in ([], ["docProps/core.xml"])  # openpyxl's own `created`, set when a workbook is made


def test_a_file_that_cannot_be_written_is_a_report_error(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="cannot be written"):
        finish(saved(a_book()), tmp_path / "file" / "a.xlsx", cached={}, modified=WHEN)


def test_a_report_is_as_readable_as_any_other_file(tmp_path):
    path = tmp_path / "a.xlsx"
    finish(saved(a_book()), path, cached={}, modified=WHEN)
    other = tmp_path / "other"
    other.touch()
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(other.stat().st_mode)


def test_a_sheet_is_found_by_its_title_whatever_its_part_is_called():
    with ZipFile(io.BytesIO(saved(a_book()))) as package:
        assert list(sheet_parts(package)) == ["Sums & <more>", "Data"]
