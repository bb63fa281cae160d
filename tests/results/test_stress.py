"""What a store knows of a board's time above nominal: visits kept, put aside, and lost with a killed run."""

from dataclasses import replace
from datetime import timedelta

import pytest
from invented_run import START, a_plan, a_run_of, a_visit, steps_of
from run_example import a_baseline, a_recipe

from cornerrun.corners.model import RailLevel
from cornerrun.plan.serial import plan_to_json
from cornerrun.results.records import EndState, Intent, Outcome, RunResult
from cornerrun.results.store import Store
from cornerrun.results.stress import above_nominal

PLAN = a_plan()
NAMES = ("nominal", "all high", "all low", "core low io high")
STEPS = steps_of(NAMES)
LATER = START + timedelta(hours=1)


def second(count):
    return START + timedelta(seconds=count)


@pytest.fixture
def store(tmp_path):
    return Store.open(tmp_path / "runs.sqlite")


def begin(store, run_id="r1", started=START):
    run = a_run_of((), result=None, end_state=None, run_id=run_id, started_utc=started).run
    store.begin_run(replace(run, plan_json=plan_to_json(PLAN)), a_recipe(run_id), a_baseline())


def entries(store, now=LATER):
    return {(entry.rail, entry.level): entry for entry in store.stress("00123", now)}


def visit(step, **changes):
    record = a_visit(PLAN, step)
    return replace(record, visit=replace(record.visit, **changes))


def intend(store, place, at):
    store.intend(Intent(run_id="r1", step=STEPS[place], at_utc=second(at)))


def test_visits_above_nominal_add_up_by_rail_and_level(store):
    begin(store)
    for step in STEPS:
        store.finish_visit("r1", a_visit(PLAN, step))
    store.end_run("r1", RunResult.PASS, EndState.NOMINAL, "", second(10))
    found = entries(store)
    # Each visit lasts 0.75 s: CORE is high once, IO twice, and what follows goes with its leader.
    assert found["CORE", "high"].time_s == pytest.approx(0.75)
    assert found["IO", "high"].time_s == pytest.approx(1.5)
    assert (found["IO", "high"].visits, found["IO", "high"].runs, found["IO", "high"].lost_s) == (2, 1, 0)
    assert all(level == "high" for _, level in found)
    assert entries(store, now=LATER + timedelta(days=9)) == found


def test_a_rail_that_stays_at_its_level_is_one_cycle_and_a_move_there_each_time_one_more(store):
    begin(store)
    high, nominal = RailLevel(rail="CORE", level="high"), RailLevel(rail="CORE", level="nominal")
    for place, moves in enumerate([((high,),), (), ((nominal,), (high,))]):
        step = replace(STEPS[1], ordinal=place, moves=moves)
        store.intend(Intent(run_id="r1", step=step, at_utc=second(place)))
        store.finish_visit("r1", replace(a_visit(PLAN, step), visit=visit(step, started_utc=second(place)).visit))
    store.end_run("r1", RunResult.PASS, EndState.NOMINAL, "", second(10))
    entry = entries(store)["CORE", "high"]
    assert (entry.visits, entry.cycles) == (3, 2)


def test_runs_may_be_chosen(store):
    for run_id in ("r1", "r2"):
        begin(store, run_id)
        store.finish_visit(run_id, a_visit(PLAN, STEPS[1]))
    (one,) = {entry.runs for entry in store.stress("00123", LATER, run_ids={"r2"})}
    assert one == 1
    assert store.stress("00123", LATER, run_ids=()) == ()


def test_rails_rest_while_conditions_move(store):
    begin(store)
    store.finish_visit("r1", visit(STEPS[1], end_s=1 + 600.75, phase_s={"condition": 600.0}))
    assert entries(store)["CORE", "high"].time_s == pytest.approx(0.75)


def test_a_step_whose_run_was_killed_counts_until_the_board_was_back(store):
    begin(store)
    intend(store, 1, 1)
    store.finish_visit("r1", a_visit(PLAN, STEPS[1]))
    intend(store, 3, 3)
    store.end_run("r1", RunResult.INCOMPLETE, EndState.NOMINAL, "killed", second(63))
    found = entries(store)
    assert found["IO", "high"].lost_s == pytest.approx(60)
    assert found["IO", "high"].total_s == pytest.approx(60.75)
    assert found["CORE", "high"].lost_s == 0


def test_a_run_that_nobody_has_closed_counts_until_now(store):
    begin(store)
    intend(store, 1, 1)
    assert entries(store, now=second(101))["CORE", "high"].lost_s == pytest.approx(100)


def test_a_killed_and_resumed_visit_counts_both_times_and_the_pause_between_does_not(store):
    begin(store)
    intend(store, 1, 1)
    store.end_run("r1", RunResult.INCOMPLETE, EndState.NOMINAL, "killed", second(3))
    store.resume_run("r1", by="", at_utc=second(1000))
    intend(store, 1, 1000)
    store.finish_visit("r1", visit(STEPS[1], started_utc=second(1000)))
    store.end_run("r1", RunResult.PASS, EndState.NOMINAL, "", second(1001))
    assert entries(store)["CORE", "high"].lost_s == pytest.approx(2)
    assert entries(store)["CORE", "high"].time_s == pytest.approx(0.75)


def test_a_visit_that_was_put_aside_counts_once(store):
    begin(store)
    intend(store, 1, 1)
    aborted = visit(STEPS[1], outcome=Outcome.ABORTED)
    store.finish_visit("r1", aborted)
    store.end_run("r1", RunResult.INCOMPLETE, EndState.NOMINAL, "Ctrl-C", second(2))
    store.resume_run("r1", by="", at_utc=second(9))
    store.discard_visit("r1", aborted)
    entry = entries(store)["CORE", "high"]
    assert (entry.time_s, entry.lost_s, entry.visits) == (pytest.approx(0.75), 0, 1)


def test_runs_of_one_board_add_up_and_others_do_not_count(store):
    for run_id in ("r1", "r2"):
        begin(store, run_id)
        store.finish_visit(run_id, a_visit(PLAN, STEPS[1]))
    assert entries(store)["CORE", "high"].runs == 2
    assert store.stress("00124", LATER) == ()


def test_a_negative_rail_is_above_nominal_where_it_is_further_from_zero():
    rail = replace(PLAN.rails[0], nominal_v=-5.0, levels={"nominal": -5.0, "high": -5.25, "low": -4.75})
    plan = replace(PLAN, rails=(rail, *PLAN.rails[1:]))
    assert rail.name in above_nominal(plan, {rail.name: "high"})
    assert rail.name not in above_nominal(plan, {rail.name: "low"})
    assert rail.name not in above_nominal(plan, {})
