"""Retests: earlier runs of the same plan on the same unit are counted in the report of the last."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from invented_run import START, a_plan, a_run_of, good_visits

from cornerrun.plan.model import Source
from cornerrun.report.summary import summarise
from cornerrun.results.records import RunResult


def _other(**changes):
    run = a_run_of(good_visits(a_plan())).run
    earlier = {"run_id": "other", "started_utc": START - timedelta(hours=1), "result": RunResult.FAIL}
    return replace(run, **{**earlier, **changes})


def _attempts(*runs):
    plan = a_plan()
    return summarise(a_run_of(good_visits(plan)), plan=plan, runs=runs)


def test_earlier_runs_are_counted_oldest_first_and_cautioned_of():
    second = _other(run_id="second", started_utc=START - timedelta(minutes=5), result=None)
    summary = _attempts(second, _other(run_id="first"))
    assert [(item.run_id, item.result) for item in summary.attempts] == [("first", RunResult.FAIL), ("second", None)]
    assert any(
        text.startswith("Attempt 3 of this plan on this board (earlier: fail, no end)") for text in summary.cautions
    )


def test_other_boards_other_plans_later_runs_and_the_run_itself_are_no_attempts():
    other_plan = (Source(role="plan", path=Path("plans/node.yaml"), sha256="1" * 64),)
    summary = _attempts(
        _other(serial="00124"),
        _other(sources=other_plan),
        _other(started_utc=START + timedelta(seconds=1)),
        a_run_of(good_visits(a_plan())).run,
    )
    assert summary.attempts == ()
    assert not any(text.startswith("Attempt") for text in summary.cautions)
