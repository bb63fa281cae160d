import io
import zipfile
from pathlib import Path

import openpyxl
import pytest
from invented_run import a_plan, a_run_of, good_visits
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.errors import ReportError
from cornerrun.report.looks import Style
from cornerrun.report.template import ANCHORS, FURTHER_ANCHORS, find_template, losses, open_template
from cornerrun.report.template_maker import make_template
from cornerrun.report.workbook import write_workbook

README = Path(__file__).parents[2] / "results_template" / "README.md"


@pytest.fixture
def changed(tmp_path):
    """Change the template that comes with the product, and save it elsewhere."""

    def change(edit):
        book = openpyxl.load_workbook(find_template())
        edit(book)
        path = tmp_path / "changed.xlsx"
        book.save(path)
        return path

    return change


def report(template, tmp_path, **changes):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3}), **changes)
    return openpyxl.load_workbook(write_workbook(data, tmp_path / "report.xlsx", plan=plan, template=template))


def look_of(book):
    return {
        "sheets": book.sheetnames,
        "names": {name: defined.attr_text for name, defined in book.defined_names.items()},
        "cells": {
            (sheet.title, cell.coordinate): (cell.value, cell.style)
            for sheet in book.worksheets
            for row in sheet.iter_rows()
            for cell in row
            if cell.value is not None
        },
        "styles": {
            style.name: (style.font.name, style.font.sz, style.font.b, style.fill.fgColor.rgb, style.number_format)
            for style in book._named_styles
            if style.name.startswith("CR ")
        },
        "print": {
            s.title: (s.page_setup.orientation, s.page_setup.fitToWidth, s.page_setup.scale, s.oddFooter.left.text)
            for s in book.worksheets
        },
    }


def test_the_template_delivered_is_what_its_maker_makes(tmp_path):
    make_template(tmp_path / "made.xlsx")
    assert look_of(openpyxl.load_workbook(tmp_path / "made.xlsx")) == look_of(openpyxl.load_workbook(find_template()))


def test_the_template_delivered_can_be_filled():
    template = open_template(find_template())
    # Few runs set conditions or have faults: those sheets are added where there is something to show.
    always = tuple(name for name in FURTHER_ANCHORS if name not in {"cr_conditions", "cr_registers"})
    assert tuple(template.anchors) == (*ANCHORS, *always)
    assert losses(find_template()) == ()


def test_the_readme_names_every_anchor_style_and_placeholder():
    from cornerrun.report.placeholders import placeholders
    from cornerrun.report.summary import summarise

    plan = a_plan()
    text = README.read_text(encoding="utf-8")
    names = [f"`{name}`" for name in (*ANCHORS, *(style.value for style in Style))]
    names += [f"`{{{{{name}}}}}`" for name in placeholders(summarise(a_run_of(good_visits(plan)), plan=plan))]
    assert [name for name in names if name not in text] == []


def test_a_file_that_is_no_workbook_is_refused(tmp_path):
    path = tmp_path / "template.xlsx"
    path.write_text("no workbook")
    with pytest.raises(ReportError, match=r"template\.xlsx: is no workbook \(\.xlsx\)"):
        open_template(path)
    with pytest.raises(ReportError, match="is no workbook"):
        losses(path)


def test_a_template_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(ReportError, match=r"nosuch\.xlsx: the template cannot be read: No such file"):
        open_template(tmp_path / "nosuch.xlsx")


def test_a_zip_of_something_else_is_refused(tmp_path):
    path = tmp_path / "template.xlsx"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("hello.txt", "hello")
    with pytest.raises(ReportError, match="is no workbook that can be read"):
        open_template(path)


def test_a_truncated_or_damaged_workbook_is_refused(tmp_path):
    content = find_template().read_bytes()
    cut = tmp_path / "cut.xlsx"
    cut.write_bytes(content[: len(content) // 2])
    with pytest.raises(ReportError, match="is no workbook"):
        open_template(cut)
    flipped = tmp_path / "flipped.xlsx"
    with zipfile.ZipFile(find_template()) as package:
        offset = package.getinfo("xl/worksheets/sheet1.xml").header_offset + 120
    flipped.write_bytes(content[:offset] + bytes([content[offset] ^ 0xFF]) + content[offset + 1 :])
    with pytest.raises(ReportError, match=r"damaged|no workbook"):
        open_template(flipped)


def test_broken_xml_inside_is_refused(tmp_path):
    path = tmp_path / "broken.xlsx"
    with zipfile.ZipFile(find_template()) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            target.writestr(name, b"<worksheet" if name.endswith("sheet2.xml") else source.read(name))
    with pytest.raises(ReportError, match="is no workbook that can be read"):
        open_template(path)


def test_every_thing_that_is_missing_is_named_at_once(changed):
    def edit(book):
        del book.defined_names["cr_rails"]
        del book["Events"]
        book.defined_names["cr_plan"].attr_text = "17"

    with pytest.raises(ReportError) as caught:
        open_template(changed(edit))
    text = str(caught.value)
    for part in ("'cr_rails' is not defined", "'cr_events' points to", "'cr_plan'", "README.md"):
        assert part in text


def test_a_style_that_is_gone_is_named(changed):
    def edit(book):
        for style in list(book._named_styles):
            if style.name == "CR volts":
                style.name = "CR altitude"

    with pytest.raises(ReportError, match="cell styles are missing: CR volts"):
        open_template(changed(edit))


def test_text_in_the_room_of_the_report_is_named_with_its_cell(changed):
    def edit(book):
        book["Checks"]["D9"] = "my note"

    with pytest.raises(ReportError, match="Checks!D9 holds something"):
        open_template(changed(edit))


def test_merged_cells_in_the_room_of_the_report_are_named(changed):
    with pytest.raises(ReportError, match="Rails!B6:C7 is merged"):
        open_template(changed(lambda book: book["Rails"].merge_cells("B6:C7")))


def test_two_anchors_in_one_sheet_are_refused(changed):
    def edit(book):
        book.defined_names["cr_rails"].attr_text = "Checks!$A$4"

    with pytest.raises(ReportError, match="two anchors point into sheet 'Checks'"):
        open_template(changed(edit))


def test_renamed_moved_and_restyled_sheets_are_filled_as_the_user_wants(changed, tmp_path):
    def edit(book):
        book["Summary"].title = "R & D's cover"
        book.defined_names["cr_summary"].attr_text = "'R & D''s cover'!$B$12"
        book["R & D's cover"]["B2"] = "Our company"
        book["Rails"].title = "Supplies"
        book.defined_names["cr_rails"].attr_text = "Supplies!$A$4"
        book.move_sheet("Supplies", -5)
        book["Checks"].column_dimensions["A"].width = 60
        for style in book._named_styles:
            if style.name == "CR volts":
                style.number_format = '0.00" Volt"'

    book = report(changed(edit), tmp_path)
    cover = book["R & D's cover"]
    assert cover["B2"].value == "Our company"
    assert "FAIL" in cover["B12"].value or "PASS" in cover["B12"].value
    assert book.sheetnames[:2] == ["R & D's cover", "Supplies"]
    assert book["Checks"].column_dimensions["A"].width == 60
    assert book["Supplies"]["I5"].number_format == '0.00" Volt"'
    formulas = [cell.value for row in cover.iter_rows() for cell in row if cell.data_type == "f"]
    assert any("'Supplies'!" in text for text in formulas)


def test_sheets_of_the_user_stay_with_their_cells_styles_and_formulas(changed, tmp_path):
    def edit(book):
        sheet: Worksheet = book.create_sheet("Approval", 0)
        sheet["A1"] = "Approved by"
        sheet["A1"].font = openpyxl.styles.Font(name="Courier New", size=21, italic=True)
        sheet["B2"] = "=COUNTA(Readings!A:A)"
        sheet.column_dimensions["A"].width = 44
        sheet.merge_cells("A5:D6")

    book = report(changed(edit), tmp_path)
    sheet = book["Approval"]
    assert book.sheetnames[0] == "Approval"
    assert (sheet["A1"].value, sheet["A1"].font.name, sheet["A1"].font.sz, sheet["A1"].font.i) == (
        "Approved by",
        "Courier New",
        21,
        True,
    )
    assert sheet["B2"].value == "=COUNTA(Readings!A:A)"
    assert sheet.column_dimensions["A"].width == 44
    assert [str(merged) for merged in sheet.merged_cells.ranges] == ["A5:D6"]


def test_placeholders_are_filled_in_cells_and_footers(changed, tmp_path):
    def edit(book):
        sheet = book.create_sheet("Cover")
        sheet["A1"] = "Unit {{serial}} of {{ board }} rev {{revision}}: {{result}}"
        sheet["A2"] = "{{operator}}"

    book = report(changed(edit), tmp_path, serial="00123", operator="=1+1")
    assert book["Cover"]["A1"].value.startswith("Unit 00123 of tide-gauge node rev C: ")
    assert (book["Cover"]["A2"].value, book["Cover"]["A2"].data_type) == ("=1+1", "s")
    assert book["Cover"]["A2"].quotePrefix
    assert book["Summary"].oddFooter.left.text == "00123  ·  20260302-083000-ab12"


def test_an_unknown_placeholder_is_named_with_its_cell(changed, tmp_path):
    def edit(book):
        book["Rails"]["C1"] = "{{customer}}"

    with pytest.raises(ReportError, match=r"Rails!C1: '\{\{customer\}\}' is no placeholder; these are: result, why"):
        report(changed(edit), tmp_path)


def test_what_does_not_survive_is_named(tmp_path):
    path = tmp_path / "macros.xlsm"
    content = io.BytesIO(find_template().read_bytes())
    with zipfile.ZipFile(content) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name))
        target.writestr("xl/vbaProject.bin", b"x")
        target.writestr("xl/slicers/slicer1.xml", b"<x/>")
    assert losses(path) == ("macros", "slicers")
