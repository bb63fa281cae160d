import io
import math
import re
import warnings
from dataclasses import replace
from zipfile import ZipFile

import openpyxl
import pytest
from invented_run import a_plan, a_run_of, good_visits
from large_run import a_large_run
from office import SOFFICE, recalculated

from cornerrun.report.sheets import events
from cornerrun.report.workbook import write_workbook
from cornerrun.results.records import RunResult

pytestmark = pytest.mark.skipif(
    SOFFICE is None, reason="LibreOffice is not installed: apt-get install libreoffice-calc"
)

POISON = 987654.25


def poisoned(path, target):
    """Copy a workbook with another cached value in every formula cell."""
    count = 0
    with ZipFile(path) as source, ZipFile(target, "w") as copy:
        for name in source.namelist():
            content = source.read(name)
            if name.startswith("xl/worksheets/sheet"):
                pattern = rb'(<c r="[A-Z]+\d+"(?: s="\d+")?)(?: t="\w+")?>(<f(?: [^>]*)?>[^<]*</f>)<v>[^<]*</v>'
                content, found = re.subn(pattern, rb"\1>\2<v>%f</v>" % POISON, content)
                count += found
            copy.writestr(name, content)
    return count


def formula_cells(path):
    book = openpyxl.load_workbook(path)
    return [
        (sheet.title, cell.coordinate)
        for sheet in book.worksheets
        for row in sheet.iter_rows()
        for cell in row
        if cell.data_type == "f"
    ]


def opened(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # LibreOffice writes an extension for data bars that openpyxl does not know
        return openpyxl.load_workbook(io.BytesIO(path.read_bytes()), data_only=True)


def values(path, cells):
    book = opened(path)
    return {cell: book[cell[0]][cell[1]].value for cell in cells}


def differences(expected, found):
    """Numbers agree to 1e-9, the rounding of two ways to the same sum; an empty text is an empty cell."""
    return [
        (cell, want, found[cell])
        for cell, want in expected.items()
        if not (
            math.isclose(want, found[cell], rel_tol=1e-9, abs_tol=1e-12)
            if isinstance(want, int | float) and isinstance(found[cell], int | float)
            else (want or None) == (found[cell] or None)
        )
    ]


def test_libreoffice_finds_the_numbers_that_python_found(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL)
    path = write_workbook(data, tmp_path / "run.xlsx", plan=plan)
    cells = formula_cells(path)
    assert len(cells) > 40
    bad = tmp_path / "poisoned.xlsx"
    assert poisoned(path, bad) == len(cells)
    assert set(values(bad, cells).values()) == {POISON}
    expected = values(path, cells)
    found = values(recalculated(bad, tmp_path), cells)
    assert differences(expected, found) == []


def test_a_run_with_trouble_of_every_kind_is_recalculated_to_the_same_numbers_on_every_sheet(tmp_path):
    path = write_workbook(a_large_run(rails=6, corners=14), tmp_path / "run.xlsx")
    cells = formula_cells(path)
    sheets = {title for title, _ in cells}
    assert {"Summary", "Sign-off", "Corners", "Checks", "Rails", "Set-points"} <= sheets
    bad = tmp_path / "poisoned.xlsx"
    assert poisoned(path, bad) == len(cells) > 400
    assert differences(values(path, cells), values(recalculated(bad, tmp_path), cells)) == []


def test_rows_over_several_sheets_are_counted_over_all_of_them(tmp_path, monkeypatch):
    once = a_large_run(rails=6, corners=14)
    visits = [
        replace(record, visit=replace(record.visit, ordinal=14 * sweep + record.visit.ordinal, repeat=sweep))
        for sweep in range(3)
        for record in once.visits
    ]
    data = replace(once, visits=tuple(visits))
    whole, parts = write_workbook(data, tmp_path / "whole.xlsx"), tmp_path / "parts.xlsx"
    monkeypatch.setattr(events, "_MOST_FITTED", 3)
    # Seven is no multiple of three visits a corner: the trials of a check at a corner lie on two sheets.
    write_workbook(data, parts, rows_a_sheet=7)
    titles = opened(parts).sheetnames
    for first, count in (("Visits", 6), ("Trials", 8), ("Readings", 36), ("Events", 2)):
        assert sum(title.startswith(first) for title in titles) >= count, first
        assert titles[titles.index(first) + 1] == f"{first} 2"
    cells = formula_cells(parts)
    # Where the smallest margin of a corner lies is looked up in one sheet only; elsewhere its value stands.
    assert {cell[0] for cell in set(formula_cells(whole)) - set(cells)} == {"Corners"}
    bad = tmp_path / "poisoned.xlsx"
    assert poisoned(parts, bad) == len(cells) > 400
    found = values(recalculated(bad, tmp_path), cells)
    assert differences(values(whole, cells), found) == []
    assert differences(values(parts, cells), found) == []


def test_names_that_are_patterns_are_counted_letter_by_letter(tmp_path):
    plan = a_plan()
    (check,) = plan.checks
    names = ["*", "memory*", ">5", "=1+1", "MEMORY MARCH", "memory march"]
    plan = replace(plan, checks=tuple(replace(check, name=name) for name in names))
    visits = []
    for record in good_visits(a_plan(), {2: 3}):
        checks = tuple(replace(item, check=name) for item in record.checks for name in names)
        trials = tuple(replace(item, check=name) for item in record.trials for name in names)
        visits.append(replace(record, checks=checks, trials=trials))
    path = write_workbook(a_run_of(visits), tmp_path / "run.xlsx", plan=plan)
    cells = formula_cells(path)
    bad = tmp_path / "poisoned.xlsx"
    poisoned(path, bad)
    again = recalculated(bad, tmp_path)
    assert differences(values(path, cells), values(again, cells)) == []
    book = opened(again)
    summary = book["Summary"]
    sums = [row for row in summary.iter_rows(values_only=True) if row[0] in names and row[3] == 210]
    assert {row[0] for row in sums} == set(names)
