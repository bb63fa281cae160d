"""Whatever fails, wherever it fails: the run returns, the board is at nominal or off, and the end says which."""

import itertools
from functools import partial

import pytest
from fake_bench import THREE, FakeChecks, Rig, a_plan, answered, raising

from cornerrun.errors import (
    CheckError,
    GuardRefusal,
    InstrumentError,
    LinkError,
    ReadbackMismatch,
    StoreError,
    UnsafeState,
)
from cornerrun.plan.model import AllRails, Check, ControlPoints
from cornerrun.results.records import EndState, Outcome, RunResult


def _rig(**changes) -> Rig:
    plan = a_plan(
        THREE[:2],
        schemes=(AllRails(levels=("high", "low")),),
        checks=(Check(name="march", python="x.py:f", trials=2, takes_s=0.06),),
        controls=ControlPoints(),
    )
    return Rig(plan, checks=FakeChecks, **changes)


def _calls_after_begin() -> list[tuple[str, int]]:
    """Every call of the bench in a clean run, once the baseline is stored: its name and which of its kind it is."""
    rig = _rig()
    assert rig.run().exit_code == 0
    counts: dict[str, int] = {}
    calls, has_begun = [], False
    for name, *_ in rig.log:
        counts[name] = counts.get(name, 0) + 1
        has_begun = has_begun or name == "store begin"
        if has_begun and not name.startswith("store"):
            calls.append((name, counts[name]))
    return calls


CALLS = _calls_after_begin()
# Made anew for each test: an exception keeps the frames that it went through alive.
ERRORS = [
    partial(LinkError, "no acknowledge"),
    partial(ReadbackMismatch, "holds something else"),
    partial(InstrumentError, "overload"),
    partial(CheckError, "worker gone"),
    partial(GuardRefusal, "beyond a hard limit"),
    partial(UnsafeState, "did not go"),
    partial(RuntimeError, "a bug"),
    partial(KeyboardInterrupt),
    partial(MemoryError),
]


def _assert_safe(rig: Rig, end) -> None:
    assert rig.store.end is not None, "the run was not closed"
    if end.end_state is EndState.NOMINAL:
        assert rig.board.is_at_nominal
    elif end.end_state is EndState.OFF:
        assert rig.board.is_off
        assert end.exit_code == 4
    else:
        assert end.exit_code == 4
    _assert_intents_come_first(rig)


def _assert_intents_come_first(rig: Rig) -> None:
    opened = False
    for name, *_ in rig.log:
        if name == "store intend":
            opened = True
        assert name != "move" or opened, "a rail was moved before its intent was stored"


@pytest.mark.parametrize("make_error", ERRORS, ids=lambda error: error.func.__name__)
@pytest.mark.parametrize(("name", "count"), CALLS)
def test_one_failure_at_any_call_leaves_the_board_safe(name, count, make_error):
    rig = _rig()
    rig.at(name, count, raising(make_error()))
    end = rig.run()
    _assert_safe(rig, end)
    assert end.exit_code != 0 or end.result is RunResult.PASS


@pytest.mark.parametrize("make_error", ERRORS, ids=lambda error: error.func.__name__)
@pytest.mark.parametrize(("name", "count"), CALLS)
def test_a_call_that_fails_for_good_leaves_the_board_safe_or_says_that_it_is_not(name, count, make_error):
    rig = _rig()

    def before(board, called, number):
        if called == name and number >= count:
            raise make_error()

    rig.board.before = before
    end = rig.run()
    _assert_safe(rig, end)
    assert end.result is not RunResult.PASS or name not in {"move", "read", "meter", "fetch"}


@pytest.mark.parametrize(("name", "count"), [call for call in CALLS if call[0] in {"read", "move", "meter", "fetch"}])
def test_a_stop_at_any_call_ends_at_nominal_with_130(name, count):
    rig = _rig()
    rig.at(name, count, lambda board: board.clock.stop.request("interrupted"))
    end = rig.run()
    _assert_safe(rig, end)
    assert end.end_state is EndState.NOMINAL
    assert rig.board.restored == 1
    if rig.log.index(("store end", end.run_id)) and end.exit_code == 0:
        # It came after the last safe point: everything had been done.
        assert rig.outcomes.count(Outcome.PASS) == 4
    else:
        assert end.exit_code == 130
        assert end.result is RunResult.INCOMPLETE


@pytest.mark.parametrize(("method", "count"), list(itertools.product(["intend", "finish", "event"], range(1, 5))))
def test_a_store_that_fails_ends_at_nominal_and_says_where_the_rest_is(method, count):
    rig = _rig()
    calls = itertools.count(1)

    def before(name: str) -> None:
        if name == method and next(calls) >= count:
            raise StoreError("runs.db: disk full; what was to be kept is in runs.db.spill.jsonl")

    rig.store.before = before
    rig.board.outputs["DDR"].registers["STATUS_WORD"] = 1 << 13  # something to make an event of
    end = rig.run()
    if end.exit_code == 0:
        assert method in {"finish", "event"}
        return
    _assert_safe(rig, end)
    assert end.end_state is EndState.NOMINAL
    assert end.exit_code == 3
    assert "runs.db.spill.jsonl" in end.why


def test_a_store_that_cannot_close_the_run_is_said_in_the_end():
    rig = _rig()

    def before(name: str) -> None:
        if name == "end":
            raise StoreError("runs.db: read-only; what was to be kept is in runs.db.spill.jsonl")

    rig.store.before = before
    end = rig.run()
    assert rig.board.is_at_nominal
    assert end.exit_code == 3
    assert "runs.db.spill.jsonl" in end.why


def test_a_dead_bus_ends_unknown_and_says_to_remove_the_input_power():
    rig = _rig()

    def before(board, called, number):
        if board.counts.get("move", 0) >= 1 and called not in {"meter", "fetch", "meter close"}:
            raise LinkError("bus main: SDA stuck low")

    rig.board.before = before
    end = rig.run()
    assert end.end_state is EndState.UNKNOWN
    assert end.exit_code == 4
    assert "remove the input power" in end.why
    assert "SDA stuck low" in end.why


def test_a_bus_that_is_dead_for_seconds_is_waited_for_before_the_board_is_given_up():
    rig = _rig()

    def before(board, called, number):
        if board.counts.get("move", 0) >= 1 and board.clock.now_s() < 2.0 and called not in {"meter", "fetch"}:
            raise LinkError("bus main: SDA stuck low")

    rig.board.before = before
    end = rig.run()
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert rig.board.is_off


def test_a_listener_that_raises_stops_nothing():
    rig = _rig()

    class Broken:
        def tell(self, event) -> None:
            raise BrokenPipeError("the terminal is gone")

    assert rig.run(listener=Broken()).exit_code == 0


def test_a_check_that_raises_through_its_runner_is_bench_trouble_and_the_board_is_proven():
    rig = _rig()

    def verdict(check, view):
        if "low" in view.corner:
            raise CheckError("worker gone")
        return answered(check)

    rig.checks.verdict = verdict
    end = rig.run()
    _assert_safe(rig, end)
    assert Outcome.ERROR in rig.outcomes
    assert end.result is RunResult.INCONCLUSIVE
    assert end.exit_code == 3
