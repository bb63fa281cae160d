import json
from dataclasses import fields, replace

from invented_run import a_plan, a_run_of, good_visits

from cornerrun.report.machine import FORMAT, to_json
from cornerrun.report.summary import Summary, summarise
from cornerrun.results.records import RunResult


def a_summary(failures=None):
    plan = a_plan()
    return summarise(a_run_of(good_visits(plan, failures), result=RunResult.FAIL), plan=plan)


def test_every_field_of_the_summary_is_there_under_its_own_name():
    plain = json.loads(to_json(a_summary()))
    assert plain["format"] == FORMAT
    assert {field.name for field in fields(Summary)} < set(plain)
    assert plain["result"] == "fail"
    assert plain["header"]["serial"] == "00123"
    assert plain["header"]["is_simulated"] is True
    assert plain["header"]["started_utc"] == "2026-03-02T08:30:00+00:00"


def test_numbers_are_not_rounded():
    summary = a_summary({3: 14})
    plain = json.loads(to_json(summary))
    interval = next(item for item in plain["checks"] if item["corner"] == "core low io high")["pass_probability"]
    expected = next(item for item in summary.checks if item.corner == "core low io high").pass_probability
    assert (interval["low"], interval["high"]) == (expected.low, expected.high)
    assert plain["trim"][0]["worst_error"]["estimate"] == summary.trim[0].worst_error.estimate


def test_outcomes_and_decisions_are_words_as_keys_and_as_values():
    plain = json.loads(to_json(a_summary({3: 14})))
    corner = next(item for item in plain["corners"] if item["name"] == "core low io high")
    assert corner["outcomes"] == {"fail-functional": 1}
    assert plain["check_totals"][0]["decisions"] == {"demonstrated": 3, "refuted": 1}


def test_what_is_not_measured_is_null_and_what_json_cannot_hold_too():
    summary = a_summary()
    odd = replace(summary, phase_s={"settle": float("nan"), "check": float("inf")})
    plain = json.loads(to_json(odd))
    assert plain["phase_s"] == {"settle": None, "check": None}
    assert next(item for item in plain["trim"] if item["rail"] == "AUX")["worst_error"] is None
