from dataclasses import replace

import pytest
from invented_run import METER, a_plan, a_run_of, a_visit, good_visits, steps_of
from openpyxl import load_workbook

from cornerrun.plan.serial import plan_to_json
from cornerrun.report.comparing.as_text import comparison_text
from cornerrun.report.comparing.compare import compare_runs
from cornerrun.report.comparing.pages import comparison_page, comparison_section
from cornerrun.report.machine import plain_record
from cornerrun.report.page.run_page import run_page
from cornerrun.report.workbook import write_workbook
from cornerrun.results.records import Outcome

PLAN = a_plan()
# Enough readings of every level for a difference to be told.
NAMES = ("nominal", *("all high", "all low") * 4, "core low io high", "nominal")


def a_run(failures=None, *, truth=None, run_id="before", **changes):
    extra = {"truth": truth} if truth else {}
    visits = [a_visit(PLAN, step, failures=(failures or {}).get(step.ordinal, 0), **extra) for step in steps_of(NAMES)]
    return a_run_of(visits, run_id=run_id, plan_json=plan_to_json(PLAN), **changes)


def drifted(share):
    def truth(rail, target_v, ordinal):
        return target_v * (1 + (share if rail == "CORE" else 0.0) + 2e-5 * ((ordinal * 7919 + len(rail)) % 5 - 2))

    return truth


def test_a_run_against_itself_shows_no_difference():
    found = compare_runs(a_run(), a_run())
    assert found.worse == ()
    assert {item.change for item in (*found.corners, *found.checks, *found.trim)} == {"no difference shown"}
    assert found.differences == ()
    assert all(item.difference.low <= 0 <= item.difference.high for item in found.checks)


def test_trials_that_begin_to_fail_are_worse_and_say_how_sure():
    found = compare_runs(a_run(), a_run({9: 20}, run_id="now"))
    check = found.checks[0]
    assert (check.check, check.corner, check.change) == ("memory march", "core low io high", "worse")
    assert (check.failed_a, check.trials_a, check.failed_b, check.trials_b) == (0, 30, 20, 30)
    assert check.difference.estimate == pytest.approx(-20 / 30)
    assert check.difference.high < 0
    assert check.p_value < check.holm < 0.05
    assert "corner core low io high: pass before, fail-functional now" in found.worse
    assert "memory march at core low io high" in found.worse


def test_trials_that_stop_failing_are_better():
    found = compare_runs(a_run({9: 20}), a_run())
    assert found.checks[0].change == "better"
    assert found.worse == ()


def test_one_failure_more_in_thirty_convicts_nobody():
    found = compare_runs(a_run(), a_run({9: 1}, run_id="now"))
    assert found.checks[0].change == "no difference shown"
    assert found.checks[0].holm == 1.0


def test_trim_that_moves_away_is_worse_beyond_the_readings_scatter():
    found = compare_runs(a_run(), a_run(truth=drifted(1e-3), run_id="now"))
    worse = {(item.rail, item.level) for item in found.trim if item.change == "worse"}
    assert {("CORE", "high"), ("CORE", "low")} <= worse
    assert {rail for rail, _ in worse} == {"CORE"}
    high = next(item for item in found.trim if (item.rail, item.level) == ("CORE", "high"))
    assert high.difference.low < 1e-3 < high.difference.high
    assert high.meters == 0.0


def test_between_two_meters_a_difference_counts_only_beyond_both_uncertainties():
    other = replace(METER, identity="maker,model,9,2")
    small = compare_runs(a_run(), a_run(truth=drifted(5e-5), instruments=(other,)))
    assert not [item for item in small.trim if item.change == "worse"]
    assert all(item.meters > 5e-5 for item in small.trim if item.rail == "CORE")
    large = compare_runs(a_run(), a_run(truth=drifted(1e-3), instruments=(other,)))
    assert [item for item in large.trim if item.change == "worse"]


def test_a_corner_that_only_one_run_has_is_not_comparable():
    short = a_run_of(good_visits(PLAN)[:3], plan_json=plan_to_json(PLAN))
    found = compare_runs(short, a_run())
    assert next(item for item in found.corners if item.corner == "core low io high").change == "not comparable"


def test_bench_trouble_is_not_worse():
    bad = a_run()
    visits = [
        replace(r, visit=replace(r.visit, outcome=Outcome.ERROR), checks=(), trials=())
        if r.visit.corner == "core low io high"
        else r
        for r in bad.visits
    ]
    found = compare_runs(a_run(), replace(bad, visits=tuple(visits)))
    assert next(item for item in found.corners if item.corner == "core low io high").change == "not comparable"


def test_what_differs_about_the_runs_is_told_with_its_caution():
    other = replace(PLAN.sources[0], sha256="f" * 64)
    found = compare_runs(a_run(), a_run(serial="00124", station="elsewhere", sources=(other,)))
    told = {item.what: (item.a, item.b) for item in found.differences}
    assert told["serial"] == ("00123", "00124")
    assert told["station"] == ("desk", "elsewhere")
    assert "plan node.yaml" in told
    cautions = " ".join(found.cautions)
    assert "The plans differ" in cautions
    assert "Two boards" in cautions


def test_terminal_page_and_json_tell_the_same():
    found = compare_runs(a_run(), a_run({9: 20}, run_id="now"))
    text = comparison_text(found)
    assert "got worse" in text
    assert "0 of 30" in text
    assert "20 of 30" in text
    page = comparison_page(found)
    assert "WORSE" in page
    assert "20 of 30" in page
    data = a_run({9: 20})
    assert '<section id="comparison"' in run_page(data, extra=(comparison_section(found),))
    plain = plain_record(found)
    assert plain["checks"][0]["change"] == "worse"
    assert plain["worse"]


def test_hostile_names_stay_text_in_the_terminal():
    text = comparison_text(compare_runs(a_run(serial="\x1b[2J<b>"), a_run(serial="=1+1\n")))
    assert "\x1b" not in text


def test_the_workbook_gets_a_sheet_with_live_differences(tmp_path):
    data = a_run({9: 20}, run_id="now")
    found = compare_runs(a_run(), data)
    path = write_workbook(data, tmp_path / "a.xlsx", comparison=found)
    live, cached = (load_workbook(path, data_only=only)["Comparison"] for only in (False, True))
    rows = [[cell.value for cell in row] for row in cached.iter_rows()]
    row = next(index for index, cells in enumerate(rows) if cells[:3] == ["memory march", "core low io high", "worse"])
    assert rows[row][3:8] == [0, 30, 20, 30, pytest.approx(-2 / 3)]
    assert live.cell(row + 1, 8).value == f"=D{row + 1}/E{row + 1}-F{row + 1}/G{row + 1}"
