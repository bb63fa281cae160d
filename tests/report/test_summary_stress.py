from dataclasses import replace
from datetime import timedelta

import openpyxl
from invented_run import a_plan, a_run_of, good_visits

from cornerrun.report.summary import summarise
from cornerrun.report.summary_stress import Ledgers, earlier_runs, level_stress
from cornerrun.report.workbook import write_workbook
from cornerrun.results.records import HOLD
from cornerrun.results.stress import StressEntry


def an_entry(rail="CORE", level="high", **changes):
    fields = {"highest_v": 0.8925, "time_s": 10.0, "lost_s": 0.0, "visits": 4, "cycles": 2, "runs": 1}
    return StressEntry(rail=rail, level=level, **{**fields, **changes})


LEDGERS = Ledgers(
    own=(an_entry(), an_entry("IO", time_s=1.0)),
    earlier=(an_entry(time_s=100.0, lost_s=5.0, runs=3, cycles=9), an_entry("OLD", "very high", time_s=7.0)),
)


def test_this_run_and_those_before_stand_side_by_side_and_add_up():
    core, old, io = level_stress(a_plan(), LEDGERS)
    assert (core.rail, core.run_s, core.run_cycles, core.earlier_s, core.earlier_cycles) == ("CORE", 10, 2, 105, 9)
    assert (core.earlier_runs, core.lost_s, core.total_s) == (3, 5, 115)
    assert (old.rail, old.level, old.run_visits, old.total_s, old.allowed_in_all_s) == ("OLD", "very high", 0, 7, None)
    assert (io.earlier_runs, io.total_s) == (0, 1)


def test_what_a_rail_may_have_in_all_stands_beside():
    plan = a_plan()
    core = replace(plan.rails[0], supply=replace(plan.rails[0].supply, above_nominal_in_all_s=3600.0))
    plan = replace(plan, rails=(core, *plan.rails[1:]))
    assert level_stress(plan, LEDGERS)[0].allowed_in_all_s == 3600


def test_earlier_runs_are_of_the_same_board_whatever_their_plan():
    run = a_run_of(()).run
    before = replace(run, run_id="before", title="another", started_utc=run.started_utc - timedelta(hours=1))
    after = replace(run, run_id="after", started_utc=run.started_utc + timedelta(hours=1))
    other = replace(before, run_id="other", serial="00124")
    assert earlier_runs(run, [after, run, before, other]) == {"before"}


def test_a_hold_is_no_attempt_at_the_plan():
    data = a_run_of(good_visits(a_plan()))
    before = replace(data.run, run_id="before", started_utc=data.run.started_utc - timedelta(hours=1))
    hold = replace(before, run_id="hold", title=f"{HOLD}all high: {data.run.title}")
    assert [item.run_id for item in summarise(data, plan=a_plan(), runs=[before, hold]).attempts] == ["before"]


def signoff(tmp_path, ledgers):
    plan, data = a_plan(), a_run_of(good_visits(a_plan()))
    summary = summarise(data, plan=plan, ledgers=ledgers)
    book = openpyxl.load_workbook(
        write_workbook(data, tmp_path / "run.xlsx", summary=summary, plan=plan), data_only=True
    )
    rows = [tuple(cell for cell in row if cell is not None) for row in book["Sign-off"].iter_rows(values_only=True)]
    return rows, "\n".join(str(cell) for row in rows for cell in row)


def test_the_signoff_shows_the_ledger(tmp_path):
    rows, said = signoff(tmp_path, LEDGERS)
    assert ("CORE", "high", 10, 2, 105, 9, 3, 115) in rows
    assert ("OLD", "very high", 0, 0, 7, 2, 1, 7) in rows
    assert "at most 5 s are of killed runs" in said


def test_the_signoff_says_why_there_is_no_ledger(tmp_path):
    assert "made without the store: `cornerrun stress 00123` tells" in signoff(tmp_path, None)[1]
    assert "No rail of 00123 has stood above nominal" in signoff(tmp_path, Ledgers(own=(), earlier=()))[1]
