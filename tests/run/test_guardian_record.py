"""What a guardian tells the store of the run that it outlived, or keeps beside it."""

import sqlite3
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from lost_board import LostBoard

from cornerrun.bench.latch import latched
from cornerrun.results.records import EndState, RunResult
from cornerrun.results.store import Store
from cornerrun.run.guardian_deed import Deed
from cornerrun.run.guardian_record import keep, story

sys.path.insert(0, str(Path(__file__).parents[1] / "results"))
from run_example import a_run

SAFE = Deed(end_state=EndState.NOMINAL, why="", supplies=(), verified=71, written=6, began_s=1.0, safe_s=1.2)
OFF = replace(SAFE, end_state=EndState.OFF, why="off when the run was lost: VDDQ")


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))  # notes of latches lie there
    return tmp_path / "runs.sqlite"


@pytest.fixture
def begun(path):
    """A run that was lost: begun, and never ended."""
    board = LostBoard(rails=())
    run = replace(a_run("abc"), bench_id=board.bench.identity, started_utc=datetime.now(UTC))
    with Store.open(path) as store:
        store.begin_run(run, board.order.recipe, board.baseline)
        board.order = replace(board.order, store=store.address)
    return board.order


def the_run(path):
    with Store.open(path) as store:
        return store.load("abc")


def test_a_story_says_what_was_lost_and_where_the_board_is():
    told = story(SAFE, lost="the runner's process ended", doing="in phase 'move'", after_s=0.21)
    assert told == (
        "the guardian took over: the runner's process ended, while in phase 'move'; the board was at nominal 0.21 s "
        "after its last sign of life (6 registers written, 71 verified twice)"
    )
    fed = replace(SAFE, supplies=("FEED_A",), verified=0)
    assert story(fed, lost="x", doing="y", after_s=1.0).endswith("(supply FEED_A restored)")
    assert "every rail was turned off 1.00 s" in story(OFF, lost="x", doing="y", after_s=1.0)
    unknown = replace(OFF, end_state=EndState.UNKNOWN, why="not off; remove the input power by hand")
    assert "remove the input power by hand" in story(unknown, lost="x", doing="y", after_s=1.0)


def test_a_run_that_was_brought_back_is_closed_and_its_bench_is_free(path, begun):
    assert keep(begun, SAFE, "the guardian took over", has_begun=True) == ""
    data = the_run(path)
    assert (data.run.result, data.run.end_state) == (RunResult.INCOMPLETE, EndState.NOMINAL)
    assert data.run.why == "the guardian took over"
    (event,) = data.events
    assert (event.severity, event.what) == ("warning", "the guardian took over")
    assert 0.0 <= event.at_s < 60.0
    with Store.open(path) as store:
        assert store.unfinished() == ()
        assert store.latches() == ()
        assert store.audit("abc").findings == ()


def test_a_board_that_was_turned_off_latches_its_bench(path, begun):
    assert keep(begun, OFF, "the guardian took over", has_begun=True) == ""
    assert the_run(path).run.end_state is EndState.OFF
    with Store.open(path) as store:
        (latch,) = store.latches(begun.recipe.bench_id)
    assert latch.why == "the guardian took over"
    note = latched(begun.recipe.bench_id)
    assert note is not None
    assert note.run_id == "abc"


def test_a_run_that_had_ended_by_itself_keeps_its_own_end(path, begun):
    with Store.open(path) as store:
        store.end_run("abc", RunResult.FAIL, EndState.NOMINAL, "memory march", datetime.now(UTC))
    assert keep(begun, SAFE, "the guardian took over", has_begun=True) == ""
    data = the_run(path)
    assert (data.run.result, data.run.why) == (RunResult.FAIL, "memory march")
    assert [event.what for event in data.events] == ["the guardian took over"]


def test_a_store_that_is_locked_gets_it_at_its_next_start(path, begun):
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    failed = keep(begun, SAFE, "the guardian took over", has_begun=True)
    holder.execute("ROLLBACK")
    holder.close()
    assert "what was to be kept is in" in failed
    assert "runs.sqlite.spill.jsonl" in failed
    assert the_run(path).run.end_state is EndState.NOMINAL, "opening the store has merged it"


def test_a_store_whose_file_is_gone_is_not_made_anew_and_the_end_is_kept_beside(path, begun):
    aside = path.with_name("aside.sqlite")
    path.rename(aside)
    failed = keep(begun, SAFE, "the guardian took over", has_begun=True)
    assert "runs.sqlite.spill.jsonl" in failed
    assert not path.exists()
    aside.rename(path)
    assert the_run(path).run.end_state is EndState.NOMINAL


def test_a_run_that_was_lost_before_its_first_row_has_nothing_to_close(path, begun):
    order = replace(begun, recipe=replace(begun.recipe, run_id="never begun"))
    assert keep(order, SAFE, "the guardian took over", has_begun=False) == ""
    assert not path.with_name("runs.sqlite.spill.jsonl").exists()
