"""The sheets that a reviewer signs by: sign-off, trials, interaction, guide; and tables that programs know by name."""

from dataclasses import replace

import openpyxl
import pytest
from invented_run import START, a_plan, a_run_of, good_visits

from cornerrun.report.guide_texts import GUIDE
from cornerrun.report.page.run_page import run_page
from cornerrun.report.summary import summarise
from cornerrun.report.workbook import write_workbook
from cornerrun.results.bench_records import ProofReading, ProofStep
from cornerrun.results.fault_trial import FaultTrial, RailResponse
from cornerrun.results.heads import Head
from cornerrun.results.records import Event, RunResult


def written(tmp_path, data=None, plan=None, **options):
    plan = plan or a_plan()
    data = data or a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL)
    return openpyxl.load_workbook(
        write_workbook(data, tmp_path / "run.xlsx", plan=plan, **options), data_only=True, rich_text=False
    )


def rows(sheet, first=4):
    return [tuple(cell for cell in row if cell is not None) for row in sheet.iter_rows(min_row=first, values_only=True)]


def words(sheet):
    return "\n".join(str(cell) for row in sheet.iter_rows(values_only=True) for cell in row if cell is not None)


def test_the_signoff_says_why_the_run_was_made_and_what_may_be_concluded(tmp_path):
    plan = a_plan(purpose="design validation; requirement PWR-12")
    said = words(written(tmp_path, plan=plan)["Sign-off"])
    assert "design validation; requirement PWR-12" in said
    assert "did not meet the criteria of the plan" in said
    assert "Clopper-Pearson" in said
    assert "at nominal, verified" in said


def test_the_signoff_counts_anomalies_by_kind_and_names_the_raw_data(tmp_path):
    plan = a_plan()
    events = tuple(
        Event(at_s=float(n), at_utc=START, severity="warning", what=what)
        for n, what in enumerate(("a read was tried twice", "a write was sent again", "calibration overridden"))
    )
    data = replace(a_run_of(good_visits(plan), events=events), trail=Head(links=41, sha256="ab" * 32))
    sheet = written(tmp_path, data, plan)["Sign-off"]
    found = dict(row for row in rows(sheet) if len(row) == 2)
    assert "ab" * 32 in found["Raw data, SHA-256"]
    assert "41 links" in found["Raw data, SHA-256"]
    assert found["retry"] == 2
    assert found["override"] == 1


def test_the_signoff_lists_what_the_run_asked_for_otherwise_than_the_released_plan(tmp_path):
    plan = a_plan()
    released = replace(plan, policy=replace(plan.policy, on_fail="stop"))
    found = rows(written(tmp_path, plan=plan, released=released)["Sign-off"])
    assert ("policy.on_fail", '"stop"', '"go on"') in found
    same = words(written(tmp_path, plan=plan, released=plan)["Sign-off"])
    assert "none from node.yaml" in same


def test_the_signoff_puts_each_rail_as_asked_beside_what_was_measured_and_counts_decisions(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL)
    summary = summarise(data, plan=plan)
    found = rows(written(tmp_path, data, plan)["Sign-off"])
    core = next(row for row in found if row[:1] == ("CORE",) and row[-1] in {"met", "open", "not met"})
    seen = [item.reference_v for record in data.visits for item in record.readings if item.rail == "CORE"]
    assert core[1:5] == pytest.approx((0.85 * 0.95, min(seen), 0.85 * 1.05, max(seen)))
    rail = summary.rails[0]
    assert core[5:7] == pytest.approx((rail.window.distance_v * 1e3, rail.hard_limit.distance_v * 1e3))
    assert core[7] == pytest.approx(summary.trim[0].worst_error.estimate)
    (check,) = (row for row in found if row[:1] == ("memory march",) and len(row) == 9)
    (total,) = summary.check_totals
    assert sum(check[1:4]) == total.corners
    assert check[4:6] == (210, 33)
    assert check[-1] == total.worst.corner
    assert ("■ fail-functional", 2) in found or ("■ fail-functional", 1) in found


def test_the_interaction_sheet_holds_every_pair_of_the_wiring_proof(tmp_path):
    plan = a_plan()
    moved = {"CORE": 8.5e-3, "IO": -8.5e-5}
    readings = tuple(ProofReading(rail=rail, telemetry_v=moved_v, reference_v=None) for rail, moved_v in moved.items())
    data = replace(a_run_of(good_visits(plan)), proof=(ProofStep(rail="CORE", step_v=8.5e-3, readings=readings),))
    sheet = written(tmp_path, data, plan)["Interaction"]
    found = rows(sheet, 5)
    assert found[0][:6] == ("CORE", 8.5, "CORE", 8.5, 1.0, "device")
    assert found[1][:6] == ("CORE", 8.5, "IO", pytest.approx(-0.085), pytest.approx(-0.01), "device")
    assert found[0][-3:] == ("CORE", 100, -1) or found[0][-2:] == (100, -1)
    assert "t_interaction" in sheet.tables


def test_without_a_wiring_proof_the_interaction_sheet_says_so(tmp_path):
    assert "no wiring proof was made" in words(written(tmp_path)["Interaction"])


def a_trial(**changes):
    rails = (
        RailResponse(rail="CORE", must_go_down=True, went_down_s=0.004, came_back_s=None),
        RailResponse(rail="IO", must_go_down=False, went_down_s=0.009, came_back_s=None, difference="went down"),
    )
    asked = {"rail": "CORE", "fault": "under voltage", "within_s": 0.02, "then": "stays off", "resolution_s": 0.001}
    return FaultTrial(**asked | {"rails": rails} | changes)


def test_provoked_faults_have_a_sheet_with_a_row_a_rail_and_a_matrix(tmp_path):
    trials = (a_trial(), a_trial(rail="IO", rails=(), refused="no limit to move"))
    data = replace(a_run_of(good_visits(a_plan())), fault_trials=trials)
    book = written(tmp_path, data)
    sheet = book["Fault responses"]
    found = rows(sheet, 5)
    assert found[0][:8] == ("CORE", "under voltage", "CORE", "yes", 0.004, 0.02, "stays off", 0.001)
    assert found[0][-3:] == ("CORE, under voltage", 0.004, 0.009)
    assert found[1][-2:] == ("went down", "IO, under voltage")
    assert "not provoked: no limit to move" in found[2]
    assert "t_fault_responses" in sheet.tables
    assert "nobody named" in words(book["Summary"])
    assert "t_fault_responses" in words(book["Guide"])


def test_a_run_that_provoked_nothing_has_no_sheet_of_faults(tmp_path):
    assert "Fault responses" not in written(tmp_path).sheetnames


def test_the_guide_explains_every_column_of_every_named_table(tmp_path):
    data = replace(a_run_of(good_visits(a_plan())), fault_trials=(a_trial(),))
    book = written(tmp_path, data)
    explained = {(row[1], row[2]) for row in rows(book["Guide"]) if len(row) == 4}
    for sheet in book.worksheets:
        for name, table in ((table.displayName, table) for table in sheet.tables.values()):
            for column in table.tableColumns:
                assert (name, column.name) in explained, (name, column.name)
    assert all(GUIDE.values())


def test_tables_and_ranges_have_names_that_lie_over_their_headings_and_rows(tmp_path):
    book = written(tmp_path)
    sheet = book["Readings"]
    table = sheet.tables["t_readings"]
    assert table.ref == f"A4:{sheet.cell(sheet.max_row, sheet.max_column).coordinate}"
    assert [column.name for column in table.tableColumns] == [cell.value for cell in sheet[4]]
    assert book.defined_names["t_readings_rows"].attr_text.replace("$", "").endswith(f"Readings'!{table.ref}")


def test_trials_stand_one_row_a_check_and_visit_and_add_up_to_the_sheet_of_checks(tmp_path):
    book = written(tmp_path)
    heads, *trials = [row for row in book["Trials"].iter_rows(min_row=4, values_only=True) if row[0]]
    at = {head: index for index, head in enumerate(heads)}
    failed = sum(row[at["Failed"]] for row in trials if row[at["Counts"]] == "yes")
    checks = [row for row in book["Checks"].iter_rows(min_row=4, values_only=True) if row[0]]
    assert failed == sum(row[checks[0].index("Failed")] for row in checks[1:]) == 33


def test_coverage_stands_in_signoff_and_page_with_what_constraints_rule_out(tmp_path):
    plan = a_plan()
    plan = replace(plan, corners=replace(plan.corners, forbidden=({"CORE": "high", "IO": "low"},)))
    data = a_run_of(good_visits(plan))
    summary = summarise(data, plan=plan)
    sheet = written(tmp_path, data, plan)["Sign-off"]
    found = {row[0]: row[1:] for row in rows(sheet) if len(row) >= 4}
    pairs = next(one for one in summary.coverage.combinations if one.strength == 2)
    assert pairs.total - pairs.feasible == 1
    met, possible, share, ruled_out = found["Pairs of levels off nominal"][:4]
    assert (met, possible, ruled_out) == (pairs.covered, pairs.feasible, 1)
    assert share == pytest.approx(met / possible)
    assert found["Corners"][:2] == (summary.tally.corners_run, summary.tally.corners_planned)
    page = run_page(data, summary=summary, plan=plan)
    assert "Pairs of levels off nominal" in page
    assert "Ruled out by constraints" in page
