from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from invented_run import a_plan, a_run_of, good_visits
from junitparser import Error, Failure, JUnitXml, Skipped
from large_run import a_large_run
from lxml import etree

from cornerrun.errors import ReportError
from cornerrun.plan.serial import plan_from_json
from cornerrun.report.junit import to_junit, write_junit
from cornerrun.report.summary import summarise


def _read(run, tmp_path):
    plan = plan_from_json(run.run.plan_json)
    path = write_junit(summarise(run, plan=plan), run, tmp_path / "report.xml")
    return JUnitXml.fromfile(str(path))


def test_another_program_reads_back_what_failed_and_whose_it_was(tmp_path):
    run = a_large_run(rails=4, corners=60)
    read = _read(run, tmp_path)
    suites = {suite.name: suite for suite in read}
    for record in run.visits:
        suite = suites[f"visit {record.visit.ordinal}: {record.visit.corner}"]
        kinds = {type(result) for case in suite for result in case.result}
        assert (Failure in kinds) == record.visit.outcome.is_product_failure
        assert (Error in kinds) == record.visit.outcome.is_bench_trouble


def test_counts_are_those_of_the_cases(tmp_path):
    read = _read(a_large_run(rails=4, corners=40), tmp_path)
    cases = [case for suite in read for case in suite]
    assert read.tests == len(cases)
    for kind, count in ((Failure, read.failures), (Error, read.errors), (Skipped, read.skipped)):
        assert count == sum(any(isinstance(result, kind) for result in case.result) for case in cases)


def test_times_are_utc(tmp_path):
    run = a_large_run(rails=2, corners=3)
    for suite in _read(run, tmp_path):
        assert datetime.fromisoformat(suite.timestamp).utcoffset() == timedelta(0)


def test_a_suite_is_told_test_by_test(tmp_path):
    run = a_large_run(rails=3, corners=40)
    bad = next(record for record in run.visits if record.tests)
    suite = next(s for s in _read(run, tmp_path) if s.name.startswith(f"visit {bad.visit.ordinal}:"))
    told = {case.name: [type(r) for r in case.result] for case in suite if case.classname.endswith(".check 0")}
    assert told == {"suite.py::test_0 (trial 0)": [Failure], "suite.py::test_1 (trial 0)": []}


def test_an_open_criterion_is_an_error_and_neither_pass_nor_failure():
    plan = a_plan()
    visits = [replace(r, trials=r.trials[:3]) for r in good_visits(plan)]
    run = a_run_of(visits)
    root = etree.fromstring(to_junit(summarise(run, plan=plan), run))
    open_ones = root.xpath("//testsuite[@name='criteria']/testcase/error[@type='open']")
    assert open_ones


def test_void_visits_are_skipped():
    plan = a_plan()
    visits = [replace(r, visit=replace(r.visit, is_void=True)) for r in good_visits(plan, {1: 30})]
    run = a_run_of(visits)
    root = etree.fromstring(to_junit(summarise(run, plan=plan), run))
    assert root.xpath("count(//testsuite[starts-with(@name, 'visit')]/testcase/skipped)") == len(visits)
    assert not root.xpath("//testsuite[starts-with(@name, 'visit')]/testcase/failure")


def test_hostile_text_stays_text(tmp_path):
    hostile = "]]></testcase>\x00\x1b[31m&\"'=1+1" + "A" * 100_000
    run = a_large_run(rails=2, corners=6)
    visits = tuple(
        replace(
            record,
            visit=replace(record.visit, reason=hostile, corner=hostile),
            trials=tuple(replace(trial, output=hostile, passed=False) for trial in record.trials),
        )
        for record in run.visits
    )
    read = _read(replace(run, visits=visits, run=replace(run.run, serial=hostile, station=hostile)), tmp_path)
    assert any("]]></testcase>\\x00\\x1b[31m&\"'=1+1AAA" in suite.name for suite in read)


def test_a_file_that_cannot_be_written_says_so(tmp_path):
    run = a_large_run(rails=2, corners=2)
    plan = plan_from_json(run.run.plan_json)
    with pytest.raises(ReportError, match="JUnit XML cannot be written"):
        write_junit(summarise(run, plan=plan), run, tmp_path)
