import io
import warnings
import zipfile
from dataclasses import replace

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_run import CORNERS, METER, NAMES, a_plan, a_run_of, a_visit, good_visits, steps_of
from large_run import a_large_run

from cornerrun.errors import ReportError
from cornerrun.plan.model import Check
from cornerrun.plan.serial import plan_from_json
from cornerrun.report.cell_text import MAX_CELL_CHARACTERS, cell_text
from cornerrun.report.sheets import events, numbers
from cornerrun.report.summary import summarise
from cornerrun.report.workbook import write_workbook
from cornerrun.results.records import EndState, Event, Outcome, Reading, RunResult

SHEETS = [
    "Summary",
    "Sign-off",
    "Corners",
    "Visits",
    "Checks",
    "Culprits",
    "Rails",
    "Set-point accuracy",
    "Set-points",
    "Telemetry",
    "Interaction",
    "Numbers",
    "Readings",
    "Trials",
    "Events",
    "Plan",
    "Guide",
]


def workbook(tmp_path, data=None, plan=None, **options):
    plan = plan or a_plan()
    data = data or a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL)
    path = write_workbook(data, tmp_path / "run.xlsx", plan=plan, **options)
    return openpyxl.load_workbook(path), openpyxl.load_workbook(path, data_only=True)


def texts(sheet):
    return [cell for row in sheet.iter_rows(values_only=True) for cell in row if isinstance(cell, str)]


def table(sheet, head_row=4):
    rows = list(sheet.iter_rows(min_row=head_row, values_only=True))
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:] if row[0] is not None]


def test_the_sheets_are_there_in_order_with_frozen_filtered_headings(tmp_path):
    book, _ = workbook(tmp_path)
    assert book.sheetnames == SHEETS
    several = {"Summary", "Sign-off", "Culprits", "Interaction", "Plan", "Guide"}  # tables below each other, or none
    for title in SHEETS:
        if title not in several:
            sheet = book[title]
            assert sheet.freeze_panes is not None, title
            (named,) = sheet.tables.values()
            assert named.autoFilter.ref == named.ref, title


def test_the_summary_says_what_failed_where_and_how_sure(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL, why="memory march is refuted")
    _, book = workbook(tmp_path, data, plan)
    summary = summarise(data, plan=plan)
    sheet = book["Summary"]
    assert sheet["A4"].value.strip().startswith("■ FAIL     00123     tide-gauge node C     SIMULATED")
    assert sheet["A5"].value == "memory march is refuted"
    (failed,) = [item for item in summary.checks if item.failures]
    (row,) = [row for row in sheet.iter_rows(values_only=True) if row[3] == "33 of 60 trials"]
    assert row[:3] == ("memory march", "all low", "■ refuted")
    assert row[4:6] == pytest.approx((failed.pass_probability.low, failed.pass_probability.high))


def test_counts_and_worst_cases_on_the_summary_are_live_and_say_what_the_summary_says(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3, 5: 30}), result=RunResult.FAIL)
    live, cached = workbook(tmp_path, data, plan)
    summary = summarise(data, plan=plan)
    assert sum(cell.data_type == "f" for row in live["Summary"].iter_rows() for cell in row) > 25
    rows = {row[7]: row for row in cached["Summary"].iter_rows(values_only=True) if row[7]}
    assert rows["● pass"][8:11] == (3, 2, 0)
    assert rows["■ fail-functional"][8:11] == (2, 0, 0)
    assert rows["Meter readings"][8] == 28
    assert rows["Trials that count"][8] == summary.tally.trials == 210
    assert rows["of them failed"][8] == 33
    margins = [row for row in cached["Summary"].iter_rows(values_only=True) if row[2] == "voltage window"]
    smallest = min(rail.window.distance_ratio for rail in summary.rails)
    assert margins[0][4] == smallest
    assert [row[4] for row in margins] == sorted(row[4] for row in margins)


def test_every_formula_has_a_cached_value_and_every_cached_value_a_formula(tmp_path):
    live, cached = workbook(tmp_path)
    for sheet in live.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f" and '""' not in cell.value:
                    assert cached[sheet.title][cell.coordinate].value is not None, (sheet.title, cell.coordinate)


def test_readings_hold_every_reading_with_its_numbers(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    _, book = workbook(tmp_path, data, plan)
    rows = table(book["Readings"])
    flat = [(record.visit, item) for record in data.visits for item in record.readings]
    assert len(rows) == len(flat) == 28
    for row, (visit, item) in zip(rows, flat, strict=True):
        assert (row["Visit"], row["Rail"], row["Target"]) == (visit.ordinal, item.rail, item.target_v)
        assert row["Reference"] == item.reference_v
        if item.setpoint_v is not None:
            assert row["Trim error"] == (item.reference_v - item.setpoint_v) * 1e3
            assert row["Word"] == f"0x{item.word:04X}"


def test_a_serial_stays_text_and_a_formula_typed_by_a_person_stays_text(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan), serial="00123", operator="=1+1", title="@cmd", why="+1-1")
    book, _ = workbook(tmp_path, data, plan)
    cells = {cell.value: cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row if cell.value}
    for text in ("00123", "=1+1", "@cmd", "+1-1"):
        assert cells[text].data_type == "s", text
    for text in ("=1+1", "@cmd", "+1-1"):
        assert cells[text].quotePrefix, text


def test_numbers_beyond_what_their_sheet_shows_are_counted_below_it(tmp_path, monkeypatch):
    _, whole = workbook(tmp_path)
    count = len(table(whole["Numbers"]))
    assert count > 2
    assert not any("more, less near" in text for text in texts(whole["Numbers"]))
    monkeypatch.setattr(numbers, "_MOST_NUMBERS", count - 1)
    _, book = workbook(tmp_path)
    *shown, note = table(book["Numbers"])
    assert shown == table(whole["Numbers"])[:-1]
    assert note["Check"].startswith("and 1 more, less near to their limits: the table numbers holds")


def test_registers_stand_as_they_were_captured_with_the_raw_log_once_a_rail(tmp_path):
    data = a_large_run(rails=4, corners=60)
    faults = [fault for record in data.visits for fault in record.faults]
    assert len(faults) > 2
    book, _ = workbook(tmp_path, data, plan_from_json(data.run.plan_json))
    rows = table(book["Registers"])
    assert [(row["Visit"], row["Rail"], row["Register"], row["Held"]) for row in rows] == [
        (fault.visit, fault.originator, "STATUS_WORD", "0x8810") for fault in faults
    ]
    assert "t_registers" in book["Registers"].tables
    assert "Register" in {row["Column"] for row in table(book["Guide"], 11) if row["Table"] == "t_registers"}
    _, clean = workbook(tmp_path)
    assert "Registers" not in clean.sheetnames


def test_many_events_are_streamed_and_look_like_few(tmp_path, monkeypatch):
    data = a_large_run(rails=4, corners=60)
    plan = plan_from_json(data.run.plan_json)
    _, few = workbook(tmp_path, data, plan)
    assert len(table(few["Events"])) > 5
    monkeypatch.setattr(events, "_MOST_FITTED", 5)
    _, many = workbook(tmp_path, data, plan)
    assert table(many["Events"]) == table(few["Events"])
    for row in range(5, 11):
        assert many["Events"][f"B{row}"].style_id == few["Events"][f"B{row}"].style_id


def test_more_readings_than_a_sheet_takes_go_on_in_further_sheets(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    _, book = workbook(tmp_path, data, plan, rows_a_sheet=12)
    titles = [title for title in book.sheetnames if title.startswith("Readings")]
    assert titles == ["Readings", "Readings 2", "Readings 3"]
    assert [len(table(book[title])) for title in titles] == [12, 12, 4]
    assert {book[title].freeze_panes for title in titles} == {"G5"}
    rows = {row[7]: row for row in book["Summary"].iter_rows(values_only=True) if row[7]}
    assert rows["Meter readings"][8] == 28


def test_the_trim_chart_shows_the_claim_as_a_band_and_the_pass_chart_each_corner(tmp_path):
    plan = a_plan()
    path = write_workbook(a_run_of(good_visits(plan, {2: 3})), tmp_path / "run.xlsx", plan=plan)
    with zipfile.ZipFile(path) as package:
        charts = [package.read(name).decode() for name in package.namelist() if name.startswith("xl/charts/chart")]
    assert len(charts) == 3
    trim = [text for text in charts if "the band is the claim" in text]
    assert len(trim) == 2
    for text in trim:
        assert "barChart" in text
        assert "lineChart" in text
        assert "'Set-point accuracy'!$W$5:$W$6" in text.replace("&apos;", "'")
    (passes,) = [text for text in charts if "share of trials passed" in text]
    assert "'Corners'!" in passes.replace("&apos;", "'")
    (_, book) = workbook(tmp_path, a_run_of(good_visits(plan, {2: 3})), plan)
    rows = [row for row in table(book["Set-point accuracy"]) if row["Claim from"] is not None]
    assert {(row["Claim from"], row["Claim to"]) for row in rows} == {(-0.0025, 0.0025)}


def test_the_worst_corner_comes_first_in_the_chart(tmp_path):
    plan = a_plan()
    _, book = workbook(tmp_path, a_run_of(good_visits(plan, {2: 3, 3: 20})), plan)
    sheet = book["Corners"]
    head = [cell.value for cell in sheet[4]].index("Worst first")
    names = [row[head] for row in sheet.iter_rows(min_row=5, max_row=8, values_only=True)]
    assert names[:2] == ["■ core low io high", "■ all low"]
    shares = [row[head + 1] for row in sheet.iter_rows(min_row=5, max_row=8, values_only=True)]
    assert shares == sorted(shares)


def test_outcomes_are_told_by_word_shape_and_fill(tmp_path):
    plan = a_plan()
    visits = good_visits(plan)
    kinds = [Outcome.TRIPPED, Outcome.ERROR, Outcome.SKIPPED]
    for index, outcome in enumerate(kinds, start=1):
        visits[index] = a_visit(plan, steps_of(NAMES)[index], outcome=outcome, reason="because of this")
    book, _ = workbook(tmp_path, a_run_of(visits, result=RunResult.FAIL), plan)
    cells = {row[5].value: row[5] for row in book["Visits"].iter_rows(min_row=5)}
    assert {"■ tripped", "▲ error", "○ skipped", "● pass"} <= set(cells)
    fills = {cells[text].fill.fgColor.rgb for text in ("■ tripped", "▲ error", "○ skipped", "● pass")}
    assert len(fills) == 4
    assert cells["■ tripped"].style == "CR failed"


def test_numbers_carry_their_unit_in_the_format(tmp_path):
    book, _ = workbook(tmp_path)
    sheet = book["Readings"]
    heads = [cell.value for cell in sheet[4]]
    formats = {head: sheet.cell(5, index + 1).number_format for index, head in enumerate(heads)}
    for head, unit in (("Reference", "V"), ("Trim error", "mV"), ("Settled after", "s"), ("Current", "A")):
        assert f'" {unit}"' in formats[head]


def test_a_run_without_meter_checks_or_corners_still_makes_a_workbook(tmp_path):
    plan = replace(a_plan(), checks=(), relations=())
    visits = [a_visit(plan, step, with_meter=False) for step in steps_of(NAMES)]
    _, book = workbook(tmp_path, a_run_of(visits, instruments=()), plan)
    assert "● passed" in book["Summary"]["A2"].value
    assert all(
        "met" not in (row["Claim"] or "") or "not measured" in row["Claim"] or "not commanded" in row["Claim"]
        for row in table(book["Set-point accuracy"])
    )


@pytest.mark.parametrize("result", [None, RunResult.PASS, RunResult.INVALID])
def test_a_run_with_nothing_in_it_still_makes_a_workbook(tmp_path, result):
    plan = a_plan()
    data = a_run_of([], result=result, end_state=EndState.UNKNOWN, corners=(), instruments=())
    _, book = workbook(tmp_path, data, plan)
    assert book.sheetnames == SHEETS
    assert any("NOT KNOWN" in text for text in texts(book["Summary"]))


def test_a_corner_that_was_not_run_is_listed_with_its_reason(tmp_path):
    from cornerrun.corners.model import NotRunnable

    plan = a_plan()
    data = a_run_of(
        good_visits(plan), not_runnable=(NotRunnable(name="io low", scheme="named", reason="1.3 V between rails"),)
    )
    _, book = workbook(tmp_path, data, plan)
    assert any("io low (named): 1.3 V between rails" in text for text in texts(book["Summary"]))
    assert "1.3 V between rails" in texts(book["Plan"])


def test_the_same_run_gives_the_same_bytes(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3}))
    first = write_workbook(data, tmp_path / "a.xlsx", plan=plan).read_bytes()
    assert write_workbook(data, tmp_path / "b.xlsx", plan=plan).read_bytes() == first


HOSTILE = [
    "</t></is></c><script>'; DROP TABLE a\nb\tc \x1b[31m red \x00 & \ud800 _x0041_ {{serial}} Ω µ 电 \U0001f9ea",
    '=HYPERLINK("http://x")',
    "x" * 100_000,
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_harmless_everywhere(tmp_path, text):
    plan = a_plan()
    visits = good_visits(plan, {2: 3})
    visits = [
        replace(
            record,
            visit=replace(record.visit, reason=text),
            readings=tuple(replace(item, reason=text) for item in record.readings),
        )
        for record in visits
    ]
    data = a_run_of(
        visits,
        serial=text,
        operator=text,
        station=text,
        title=text,
        why=text,
        unit_data={text: text},
        versions={text: text},
        devices={text: {text: text}},
        instruments=(replace(METER, name=text, identity=text),),
        events=(Event(at_s=1.0, at_utc=visits[0].visit.started_utc, severity=text, what=text, rail=text),),
    )
    book, _ = workbook(tmp_path, data, plan)
    assert book.sheetnames == SHEETS
    shown = cell_text(text)
    reasons = {row["Reason"] for row in table(book["Readings"])}
    assert reasons == {shown}
    formulas = [c.value for s in book.worksheets for row in s.iter_rows() for c in row if c.data_type == "f"]
    assert not any("HYPERLINK" in formula for formula in formulas)


@settings(max_examples=25, deadline=None)
@given(names=st.lists(st.text(min_size=1, max_size=30), min_size=4, max_size=4, unique=True))
def test_any_names_of_rails_corners_and_checks_make_a_workbook_that_opens(tmp_path_factory, names):
    folder = tmp_path_factory.mktemp("any")
    plan = a_plan(relations=())
    rails = {rail.name: name for rail, name in zip(plan.rails, names, strict=True)}
    plan = replace(
        plan,
        rails=tuple(
            replace(
                rail,
                name=rails[rail.name],
                tracks=None if rail.tracks is None else replace(rail.tracks, rail=rails[rail.tracks.rail]),
            )
            for rail in plan.rails
        ),
        checks=(Check(name=names[0], python="a.py:b", trials=30),),
    )
    corners = tuple(
        replace(corner, name=name, levels=tuple(replace(item, rail=rails[item.rail]) for item in corner.levels))
        for corner, name in zip(CORNERS, names, strict=True)
    )
    renamed = {corner.name: name for corner, name in zip(CORNERS, names, strict=True)}
    visits = [
        replace(
            record,
            visit=replace(record.visit, corner=renamed[record.visit.corner]),
            readings=tuple(renamed_reading(item, rails) for item in record.readings),
            checks=tuple(replace(item, check=names[0]) for item in record.checks),
            trials=tuple(replace(item, check=names[0]) for item in record.trials),
            watched=(),
        )
        for record in good_visits(a_plan(relations=()), {2: 3})
    ]
    path = write_workbook(a_run_of(visits, corners=corners), folder / "run.xlsx", plan=plan)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()))
    assert book.sheetnames == SHEETS


def renamed_reading(item: Reading, rails) -> Reading:
    return replace(item, rail=rails[item.rail])


def test_a_text_longer_than_a_cell_takes_is_cut_and_says_so():
    assert len(cell_text("x" * 100_000)) == MAX_CELL_CHARACTERS
    assert cell_text("x" * 100_000).endswith(" [cut]")


def test_a_folder_or_a_place_that_cannot_be_written_is_a_report_error(tmp_path):
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    with pytest.raises(ReportError, match="is a folder"):
        write_workbook(data, tmp_path, plan=plan)
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="cannot be written"):
        write_workbook(data, tmp_path / "file" / "run.xlsx", plan=plan)


def test_the_plan_that_the_run_carries_is_enough(tmp_path):
    from cornerrun.plan.serial import plan_to_json

    plan = a_plan()
    data = a_run_of(good_visits(plan), plan_json=plan_to_json(plan))
    path = write_workbook(data, tmp_path / "run.xlsx")
    assert openpyxl.load_workbook(path).sheetnames == SHEETS
