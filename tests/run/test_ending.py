"""Exit codes: where the board is comes first."""

import itertools

import pytest
from fake_bench import Rig

from cornerrun.results.records import EndState, RunResult
from cornerrun.run.ending import conclude, exit_code
from cornerrun.run.sequence import Trouble


@pytest.mark.parametrize(
    ("result", "code"),
    [
        (RunResult.PASS, 0),
        (RunResult.FAIL, 1),
        (RunResult.INCONCLUSIVE, 3),
        (RunResult.INCOMPLETE, 3),
        (RunResult.INVALID, 3),
    ],
)
def test_the_result_of_an_undisturbed_run_is_its_exit_code(result, code):
    assert exit_code(result, EndState.NOMINAL, None) == code


@pytest.mark.parametrize(
    ("result", "state", "trouble"),
    list(itertools.product(RunResult, [EndState.OFF, EndState.UNKNOWN], [None, *Trouble])),
)
def test_a_board_that_is_not_at_nominal_always_exits_4(result, state, trouble):
    assert exit_code(result, state, trouble) == 4


@pytest.mark.parametrize("result", RunResult)
def test_a_signal_exits_130_once_the_board_is_safe(result):
    assert exit_code(result, EndState.NOMINAL, Trouble.STOP) == 130


def test_a_lost_store_and_a_bug_are_bench_trouble_whatever_was_measured():
    assert exit_code(RunResult.PASS, EndState.NOMINAL, Trouble.STORE) == 3
    assert exit_code(RunResult.FAIL, EndState.NOMINAL, Trouble.INTERNAL) == 3


def test_a_run_that_passed_but_did_not_come_back_is_no_pass():
    rig = Rig()
    rig.run()
    from cornerrun.corners.order import steps
    from cornerrun.corners.select import select

    planned = steps(rig.plan, select(rig.plan))
    told = {"instruments": (), "trouble": None, "why": ""}
    assert conclude(rig.plan, planned, rig.store.visits, end_state=EndState.NOMINAL, **told).result is RunResult.PASS
    off = conclude(rig.plan, planned, rig.store.visits, end_state=EndState.OFF, **told)
    assert off.result is RunResult.INCONCLUSIVE
