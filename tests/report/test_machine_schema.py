import json
from dataclasses import replace

import pytest
from invented_run import START, a_plan, a_run_of, good_visits
from jsonschema import Draft202012Validator, ValidationError
from large_run import a_large_run

from cornerrun.plan.serial import plan_from_json
from cornerrun.report.machine import to_json
from cornerrun.report.machine_schema import report_schema
from cornerrun.report.summary import summarise
from cornerrun.results.records import Event, RunResult


def test_the_schema_is_one():
    Draft202012Validator.check_schema(report_schema())


@pytest.mark.parametrize("run", [a_large_run(rails=5, corners=60), a_large_run(rails=2, corners=2, is_troubled=False)])
def test_every_report_is_valid(run):
    summary = summarise(run, plan=plan_from_json(run.run.plan_json))
    Draft202012Validator(report_schema()).validate(json.loads(to_json(summary)))


HOSTILE = '\udcff\x1b[31m\x07\r\n\x9b\x7f\u2028\u202e=1+1,"</script>\U0001f980' + 100_000 * "x"


def test_hostile_texts_of_checks_devices_and_persons_stay_valid():
    plan = a_plan()
    data = a_run_of(good_visits(plan, {2: 3}), result=RunResult.FAIL, why=HOSTILE)
    record = data.visits[2]
    spoilt = replace(
        record,
        visit=replace(record.visit, reason=HOSTILE),
        checks=tuple(replace(check, reason=HOSTILE) for check in record.checks),
        trials=tuple(replace(trial, output=HOSTILE, reason=HOSTILE) for trial in record.trials),
    )
    event = Event(at_s=1.0, at_utc=START, severity="error", what=HOSTILE)
    names = dict.fromkeys(("serial", "operator", "station", "title", "bench_id"), HOSTILE)
    instruments = tuple(
        replace(item, name=HOSTILE, identity=HOSTILE, resource=HOSTILE) for item in data.run.instruments
    )
    run = replace(data.run, **names, instruments=instruments, versions={HOSTILE: HOSTILE})
    visits = (*data.visits[:2], spoilt, *data.visits[3:])
    text = to_json(summarise(replace(data, run=run, visits=visits, events=(event,)), plan=plan))
    found = json.loads(text.encode())
    Draft202012Validator(report_schema()).validate(found)
    told = HOSTILE.replace("\udcff", "\\udcff")
    assert found["header"]["serial"] == found["why"] == found["instruments"][0]["record"]["identity"] == told
    assert not set(text) & set("\x1b\x07\r\x9b\x7f\u2028\u202e")


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
