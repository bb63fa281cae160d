from dataclasses import replace

from invented_run import a_plan, a_run_of, good_visits

from cornerrun.plan.model import Condition, Criteria, Demonstrate
from cornerrun.report.conclusion import conclusion, uncertainty_statement
from cornerrun.report.summary import summarise
from cornerrun.results.records import RunResult


def told(plan=None, **changes):
    plan = plan or a_plan()
    data = a_run_of(good_visits(plan, {2: 3}), result=RunResult.FAIL, **changes)
    summary = summarise(data, plan=plan)
    return "\n".join(conclusion(summary, plan)), "\n".join(uncertainty_statement(summary, plan))


def test_the_conclusion_is_limited_to_the_levels_and_pairs_that_were_met():
    said, _ = told()
    assert "did not meet the criteria of the plan" in said
    assert "at the levels nominal, high, low, with 4 of 9 pairs of levels of two rails" in said
    assert "It says nothing of levels, combinations, conditions and times beyond these" in said
    assert "One board was tested" in said
    assert "SIMULATED: nothing is said of any real board" in said


def test_the_conclusion_names_the_conditions_of_the_plan():
    said, _ = told(a_plan(conditions=(Condition(name="air", unit="degC", levels={"hot": 55.0, "cold": -10.0}),)))
    assert "air at hot, cold" in said


def test_the_uncertainty_statement_tells_how_intervals_and_instruments_were_reckoned_with():
    plan = a_plan(criteria=Criteria(trim_claim_ratio=0.0025, checks=Demonstrate(pass_probability=0.9, confidence=0.95)))
    _, said = told(plan)
    assert "Clopper-Pearson" in said
    assert "by the one-sided bound" in said
    assert "35 ppm of reading + 5 ppm of range, coverage factor 2; calibration" in said
    assert "The claim of 0.25 %" in said


def test_without_a_meter_accuracy_is_said_not_to_be_measured():
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    data = replace(data, run=replace(data.run, instruments=()))
    assert "accuracy is not measured" in "\n".join(uncertainty_statement(summarise(data, plan=plan), plan))
