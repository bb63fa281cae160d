"""The sheets Culprits and Telemetry."""

from dataclasses import replace

import openpyxl
from invented_run import a_plan, a_run_of, a_visit, good_visits, steps_of

from cornerrun.report.workbook import write_workbook


def _sheet(tmp_path, title, visits, plan):
    book = openpyxl.load_workbook(write_workbook(a_run_of(visits), tmp_path / "run.xlsx", plan=plan))
    return [[cell.value for cell in row] for row in book[title].iter_rows(min_row=4)]


def test_culprits_say_what_the_corners_show_and_what_to_run_next(tmp_path):
    plan = a_plan()
    rows = _sheet(tmp_path, "Culprits", good_visits(plan, {3: 30}), plan)
    flat = [str(value) for row in rows for value in row if value is not None]
    assert flat[0] == "What the corners say"
    assert any("CORE low with IO high alone explains the one failing corner" in text for text in flat)
    assert "Suspects by elimination" in flat
    assert "CORE low with IO high" in flat
    assert "30" in flat


def test_culprits_of_a_run_without_failures_say_so(tmp_path):
    plan = a_plan()
    rows = _sheet(tmp_path, "Culprits", good_visits(plan), plan)
    assert rows[0][0] == "nothing failed at any corner: there is no culprit to look for"


def test_hostile_names_stay_text(tmp_path):
    plan = a_plan()
    visits = [
        replace(record, checks=tuple(replace(check, check="=1+1") for check in record.checks), trials=())
        for record in good_visits(plan, {3: 30})
    ]
    book = openpyxl.load_workbook(write_workbook(a_run_of(visits), tmp_path / "run.xlsx", plan=plan))
    cells = [cell for row in book["Culprits"].iter_rows() for cell in row if cell.value == "=1+1"]
    assert cells
    assert all(cell.data_type == "s" for cell in cells)


def test_telemetry_has_a_row_a_rail_worst_first(tmp_path):
    plan = a_plan()
    rows = _sheet(tmp_path, "Telemetry", good_visits(plan), plan)
    assert [row[:4] for row in rows[1:3]] == [["PM1", "CORE", 7, 0], ["PM1", "IO", 7, 0]]
    assert abs(rows[1][4] - 4e-4 / 0.85) < 1e-4


def test_telemetry_without_a_meter_says_that_it_is_not_known(tmp_path):
    plan = a_plan()
    visits = [a_visit(plan, step, with_meter=False) for step in steps_of(("nominal", "all high", "nominal"))]
    rows = _sheet(tmp_path, "Telemetry", visits, plan)
    assert rows[1][0] == "no rail was read by its device and by a meter"
