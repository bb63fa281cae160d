import json

import pytest
from invented_run import a_plan, a_run_of, good_visits
from jsonschema import Draft202012Validator, ValidationError
from large_run import a_large_run

from cornerrun.plan.serial import plan_from_json
from cornerrun.report.machine import to_json
from cornerrun.report.machine_schema import report_schema
from cornerrun.report.summary import summarise


def test_the_schema_is_one():
    Draft202012Validator.check_schema(report_schema())


@pytest.mark.parametrize("run", [a_large_run(rails=5, corners=60), a_large_run(rails=2, corners=2, is_troubled=False)])
def test_every_report_is_valid(run):
    summary = summarise(run, plan=plan_from_json(run.run.plan_json))
    Draft202012Validator(report_schema()).validate(json.loads(to_json(summary)))


def test_a_run_without_anything_is_valid():
    plan = a_plan()
    summary = summarise(a_run_of((), result=None, end_state=None), plan=plan)
    Draft202012Validator(report_schema()).validate(json.loads(to_json(summary)))


@pytest.mark.parametrize("spoil", [{"result": "great"}, {"tally": None}, {"format": 999}, {"rails": [{"rail": 5}]}])
def test_a_spoilt_report_is_not_valid(spoil):
    plan = a_plan()
    plain = json.loads(to_json(summarise(a_run_of(good_visits(plan)), plan=plan)))
    with pytest.raises(ValidationError):
        Draft202012Validator(report_schema()).validate({**plain, **spoil})


def test_no_member_goes_unsaid():
    plan = a_plan()
    plain = json.loads(to_json(summarise(a_run_of(good_visits(plan)), plan=plan)))
    assert set(plain) == set(report_schema()["properties"])
