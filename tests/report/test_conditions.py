"""What a run over temperature and input voltage shows of its conditions, in every report."""

import re
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from office import SOFFICE, recalculated
from openpyxl import load_workbook

from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.report.figures.gallery import figures
from cornerrun.report.page.map_rows import map_rows
from cornerrun.report.page.run_page import run_page
from cornerrun.report.page.visits import visit_data
from cornerrun.report.summary import summarise
from cornerrun.report.text import to_text
from cornerrun.report.workbook import write_workbook
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """The demo over four corners, its checks left out."""
    plan = replace(load_plan(PLANS / "four_corners.yaml"), checks=())
    bench_file, clock = load_bench(PLANS / "four_corners_bench.yaml"), ManualClock()
    selection = select(plan)
    with Store.open(tmp_path_factory.mktemp("run") / "runs.sqlite") as store:
        end = run_plan(
            plan,
            bench_file,
            open_bench(plan, bench_file, clock, seed=3),
            store,
            clock,
            None,
            guardian=UNGUARDED,
            steps=steps(plan, selection),
            selection=selection,
            serial="7",
            seed=3,
        )
        data = store.load(end.run_id)
    return plan, data, summarise(data, plan=plan)


def test_each_change_stands_once_in_order_of_time_and_the_way_to_rest_last(run):
    _, _, summary = run
    found = [(step.change.condition, step.change.level) for step in summary.condition_steps]
    assert found == [
        ("ambient", "room"),
        ("input_voltage", "typical"),
        ("ambient", "cold"),
        ("input_voltage", "high"),
        ("input_voltage", "low"),
        ("ambient", "hot"),
        ("input_voltage", "high"),
        ("ambient", ""),
    ]
    assert summary.condition_steps[-1].visit is None
    cold = summary.condition_steps[2]
    assert "cold" in cold.corner
    assert not cold.change.is_board_on


def test_how_near_conditions_were_kept_is_that_of_the_worst_visit(run):
    plan, data, summary = run
    ambient = summary.conditions[0]
    levels = plan.conditions[0].levels
    by_hand = max(
        abs(
            record.visit.conditions["ambient"]
            - min(levels.values(), key=lambda v: abs(v - record.visit.conditions["ambient"]))
        )
        for record in data.visits
    )
    assert abs(ambient.farthest) == pytest.approx(by_hand)
    assert ambient.visits == len(data.visits)
    assert (ambient.changes, ambient.ramp_per_s) == (4, pytest.approx(10 / 60))
    assert ambient.steepest_per_s == pytest.approx(10 / 60, rel=0.05)
    assert ambient.left_at == pytest.approx(25.0, abs=0.5)
    took = [step.change.took_s for step in summary.condition_steps if step.change.condition == "ambient"]
    assert ambient.changing_s == pytest.approx(sum(took))
    assert ambient.off_s == pytest.approx(summary.condition_steps[2].change.took_s)


def test_the_run_took_as_long_as_its_way_to_rest_lasted(run):
    _, data, summary = run
    (rest,) = data.rests
    assert summary.header.duration_s == pytest.approx(rest.started_s + rest.took_s)
    assert summary.header.duration_s > max(record.visit.end_s for record in data.visits) + 300


def test_text_tells_them_in_the_units_of_a_chamber(run):
    _, _, summary = run
    text = to_text(summary)
    assert "10 K/min" in text
    assert "rest (25 degC)" not in text
    assert "rest (25 degC)" in to_text(summary, is_full=True)


def test_page_and_figures_show_them_and_where_the_board_was_off(run):
    plan, data, summary = run
    page = run_page(data, summary=summary, plan=plan)
    assert 'id="conditions"' in page
    assert "board off" in page
    named = [row["block"] for row in map_rows(plan, summary, data)["rows"] if row["block"]]
    assert len(named) == len(set(named)) == 5, "each combination of conditions heads its corners once"
    opened = {visit["c"]: visit["cond"] for visit in visit_data(plan, data)["visits"]}
    cold = opened["nominal @ ambient cold, input_voltage high"]
    assert cold["ambient"].endswith("degC, cold is -20 degC")
    assert float(cold["ambient"].split()[0]) == pytest.approx(-20, abs=0.6)
    assert cold["input_voltage"].endswith("V, high is 15 V")
    assert "conditions" in figures(plan, summary, data)


def signoff(path):
    return list(load_workbook(path, data_only=True)["Sign-off"].iter_rows(values_only=True))


@pytest.mark.skipif(SOFFICE is None, reason="LibreOffice is not installed")
@pytest.mark.filterwarnings("ignore:.*extension is not supported")
def test_the_sheet_counts_live_and_libreoffice_agrees(run, tmp_path):
    plan, data, summary = run
    path = write_workbook(data, tmp_path / "run.xlsx", summary=summary, plan=plan)
    sheets = [load_workbook(one, data_only=True)["Conditions"] for one in (path, recalculated(path, tmp_path))]
    for sheet in sheets:
        rows = {row[0]: row for row in sheet.iter_rows(min_row=5, max_row=6, values_only=True)}
        ambient, supply = summary.conditions
        assert rows["ambient"][5:8] == (4, pytest.approx(ambient.changing_s), pytest.approx(ambient.off_s))
        assert rows["input_voltage"][5:8] == (4, pytest.approx(supply.changing_s), 0)
        assert any(row[0] == "ambient" and row[5] == "10 K/min" for row in signoff(path))
    formulas = load_workbook(path)["Conditions"]
    assert str(formulas["F5"].value).startswith("=")


def test_a_run_that_sets_nothing_shows_nothing(run, tmp_path):
    plan, data, _ = run
    bare = replace(plan, conditions=(), corners=replace(plan.corners, conditions=()))
    visits = tuple(replace(one, changes=(), visit=replace(one.visit, conditions={})) for one in data.visits)
    data = replace(data, visits=visits, rests=())
    summary = summarise(data, plan=bare)
    assert (summary.conditions, summary.condition_steps) == ((), ())
    assert 'id="conditions"' not in run_page(data, summary=summary, plan=bare)
    assert "\nConditions\n" not in to_text(summary)
    assert (
        "Conditions"
        not in load_workbook(write_workbook(data, tmp_path / "x.xlsx", summary=summary, plan=bare)).sheetnames
    )


def test_the_sheet_draws_the_way_of_each_condition_as_it_was_sent_and_read(run, tmp_path):
    plan, data, summary = run
    path = write_workbook(data, tmp_path / "run.xlsx", plan=plan, summary=summary)
    sheet = load_workbook(path)["Conditions"]
    with zipfile.ZipFile(path) as package:
        charts = [
            text
            for name in package.namelist()
            if "charts/chart" in name
            if "over minutes" in (text := package.read(name).decode())
        ]
    assert len(charts) == 2
    for chart, condition in zip(charts, ("ambient", "input_voltage"), strict=True):
        assert f"{condition} (" in chart
        ranges = re.findall(r"<(?:c:)?f>'Conditions'!\$([A-Z]+)\$(\d+):\$[A-Z]+\$(\d+)</", chart.replace("&apos;", "'"))
        assert len(ranges) == 4
        (times, first, last), values = ranges[2], ranges[3][0]
        # The series of what was read: times behind values, or before, as the file has it.
        columns = [
            [sheet[f"{letter}{row}"].value for row in range(int(first), int(last) + 1)] for letter in (times, values)
        ]
        minutes = min(columns, key=lambda column: column != sorted(column))
        assert minutes == sorted(minutes)
        assert minutes[-1] <= max(record.visit.end_s for record in data.visits) / 60 + 15
        readings = next(column for column in columns if column is not minutes)
        steps = [step.change for step in summary.condition_steps if step.change.condition == condition]
        for change in steps:
            assert any(reading == pytest.approx(change.reading, rel=1e-5) for reading in readings)
    printed = sheet.print_area
    assert "$P$" in printed
    assert sheet.max_column > 16, "what the charts draw stands out of print"
