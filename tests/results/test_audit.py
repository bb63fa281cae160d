"""Whatever is changed of what a store kept of a run is found, and nothing is found where nothing was changed."""

import json
import random
import sqlite3
from dataclasses import replace
from datetime import timedelta

import pytest
from run_example import START, a_baseline, a_change, a_proof, a_recipe, a_run, a_visit, an_event, an_intent

from cornerrun.errors import CornerrunError, StoreError
from cornerrun.results import schema
from cornerrun.results.bench_records import Latch, Snapshot
from cornerrun.results.fault_trial import FaultTrial
from cornerrun.results.records import EndState, Head, Outcome, RunResult
from cornerrun.results.store import Store

RUN = "20260302-083000-ab12"


def kept(path, *, end_state=EndState.OFF):
    """Keep a run with everything in it: faults, traces, tests, a visit made again, a latch that was acknowledged."""
    store = Store.open(path)
    store.begin_run(a_run(RUN), a_recipe(RUN), a_baseline())
    store.add_snapshot(RUN, Snapshot(moment="before", at_utc=START, sha256="a" * 64, registers=()))
    store.add_proof(RUN, a_proof())
    store.add_fault_trial(RUN, FaultTrial(rail="A", fault="under voltage", within_s=0.1, then="", resolution_s=0.001))
    for ordinal in range(3):
        store.intend(an_intent(RUN, ordinal), a_visit(ordinal - 1) if ordinal else None)
    aborted = replace(a_visit(2), visit=replace(a_visit(2).visit, outcome=Outcome.ABORTED))
    store.finish_visit(RUN, aborted)
    store.add_event(RUN, an_event())
    store.end_run(RUN, RunResult.INCOMPLETE, EndState.NOMINAL, "Ctrl-C", START + timedelta(seconds=9))
    store.resume_run(RUN, by="night shift", at_utc=START + timedelta(seconds=20))
    store.discard_visit(RUN, aborted)
    store.finish_visit(RUN, a_visit(2))
    store.add_event(RUN, an_event("seam"))
    store.add_condition_change(RUN, a_change(""))
    store.end_run(RUN, RunResult.FAIL, end_state, "a rail tripped", START + timedelta(seconds=30))
    for latch in store.latches():
        store.acknowledge(latch, by="A. Tester", found="a probe slipped", at_utc=START + timedelta(seconds=60))
    return store


@pytest.fixture(scope="module")
def image(tmp_path_factory):
    """A store as bytes, with its side file: each test changes a copy."""
    path = tmp_path_factory.mktemp("kept") / "runs.sqlite"
    kept(path).close()
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.close()
    return path.read_bytes(), path.with_name("runs.sqlite.heads.jsonl").read_bytes()


@pytest.fixture
def path(image, tmp_path):
    store = tmp_path / "runs.sqlite"
    store.write_bytes(image[0])
    store.with_name("runs.sqlite.heads.jsonl").write_bytes(image[1])
    return store


def findings(path, **told):
    with Store.open(path, read_only=True) as store:
        return store.audit(RUN, **told).findings


def change(path, statement, *values):
    raw = sqlite3.connect(path)
    assert raw.execute(statement, values).rowcount >= 1
    raw.commit()
    raw.close()


def cells():
    return [
        (name, column.name)
        for name, table in schema.metadata.tables.items()
        if "run_id" in table.c
        for column in table.columns
    ]


def test_a_run_that_nobody_touched_is_sound(path):
    assert findings(path) == ()


def test_a_run_whose_numbers_are_not_finite_is_sound(tmp_path):
    store = Store.open(tmp_path / "odd.sqlite")
    store.begin_run(a_run(RUN), a_recipe(RUN), a_baseline())
    visit = a_visit(0)
    odd = [float("nan"), float("inf"), -0.0, 5e-324, -1e308, 3.0]
    readings = tuple(
        replace(visit.readings[0], rail=f"R{n}", telemetry_v=value, target_v=value) for n, value in enumerate(odd)
    )
    store.finish_visit(RUN, replace(visit, readings=readings))
    store.end_run(RUN, RunResult.PASS, EndState.NOMINAL, "", START)
    assert store.audit(RUN).findings == ()


@pytest.mark.parametrize(("table", "column"), cells())
def test_a_changed_cell_is_found(path, table, column):
    raw = sqlite3.connect(path)
    (value, rowid) = raw.execute(f"SELECT {column}, rowid FROM {table} ORDER BY rowid DESC LIMIT 1").fetchone()
    raw.close()
    if isinstance(value, str):
        changed = value[:-1] + ("y" if value.endswith("x") else "x")
    elif value is None:
        changed = 1
    else:
        changed = value + 1
    if column in {"event", "intent", "proof", "fault_trial", "latch", "discarded", "rest"}:
        pytest.skip("a number that only orders rows")
    change(path, f"UPDATE {table} SET {column} = ? WHERE rowid = ?", changed, rowid)
    assert findings(path) != ()


@pytest.mark.parametrize(
    "table",
    [
        "visits",
        "readings",
        "trials",
        "events",
        "intents",
        "audit",
        "snapshots",
        "proofs",
        "fault_trials",
        "faults",
        "latches",
    ],
)
def test_a_row_that_is_gone_is_found(path, table):
    change(path, f"DELETE FROM {table} WHERE rowid = (SELECT max(rowid) FROM {table})")
    assert findings(path) != ()


@pytest.mark.parametrize(
    "table", ["events", "intents", "trials", "visits", "proofs", "fault_trials", "latches", "discarded"]
)
def test_a_row_that_was_added_is_found(path, table):
    raw = sqlite3.connect(path)
    columns = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
    raw.close()
    order = {"events": "event", "intents": "intent", "proofs": "proof", "fault_trials": "fault_trial"}
    order |= {"latches": "latch", "discarded": "discarded"}
    key = order.get(table, "visit" if table == "visits" else "position")
    values = ", ".join(f"{name} + 1000" if name == key else name for name in columns)
    change(path, f"INSERT INTO {table} SELECT {values} FROM {table} ORDER BY rowid DESC LIMIT 1")
    assert any(table in finding or "link" in finding for finding in findings(path))


def test_events_that_changed_places_are_found(path):
    change(path, "UPDATE events SET event = -event")
    assert findings(path) != ()


def test_a_trail_cut_off_with_its_rows_is_found_by_the_side_file(path):
    for statement in (
        "DELETE FROM latches",
        "DELETE FROM audit WHERE link >= (SELECT max(link) - 1 FROM audit)",
        "UPDATE runs SET ended_utc = NULL, result = NULL, end_state = NULL, why = ''",
    ):
        change(path, statement)
    found = findings(path)
    assert found
    assert all("side file" in finding for finding in found)


def test_a_side_file_that_is_gone_is_told(path):
    path.with_name("runs.sqlite.heads.jsonl").unlink()
    assert any("side file" in finding for finding in findings(path))


def test_a_changed_side_file_is_found(path):
    side = path.with_name("runs.sqlite.heads.jsonl")
    lines = [json.loads(line) for line in side.read_text().splitlines()]
    lines[-1]["sha256"] = "f" * 64
    side.write_text("\n".join(map(json.dumps, lines)))
    assert any("side file" in finding for finding in findings(path))


def test_the_head_that_a_report_shows_lies_on_the_trail(path):
    with Store.open(path, read_only=True) as store:
        head = store.load(RUN).trail
    assert findings(path, reported=head) == ()
    assert any("report" in finding for finding in findings(path, reported=Head(links=head.links, sha256="0" * 64)))


def test_a_run_of_an_older_store_has_no_trail_and_says_so(path):
    change(path, "DELETE FROM audit")
    assert any("no audit trail" in finding for finding in findings(path))


def test_what_is_merged_from_a_spill_file_is_on_the_trail(tmp_path):
    store = kept(tmp_path / "runs.sqlite")
    raw = sqlite3.connect(tmp_path / "runs.sqlite")
    raw.execute("ALTER TABLE events RENAME TO hidden")
    with pytest.raises(StoreError, match="spill"):
        store.add_event(RUN, an_event("late"))
    raw.execute("ALTER TABLE hidden RENAME TO events")
    raw.commit()
    raw.close()
    store.close()
    with Store.open(tmp_path / "runs.sqlite") as again:
        assert again.load(RUN).events[-1].what == "late"
        assert again.audit(RUN).findings == ()


@pytest.mark.parametrize("draw", range(80))
def test_a_byte_changed_in_the_file_is_found_or_changes_nothing_that_can_be_read(image, tmp_path, draw):
    path = tmp_path / "runs.sqlite"
    content = bytearray(image[0])
    rng = random.Random(draw)
    content[rng.randrange(len(content))] ^= rng.randrange(1, 256)
    path.write_bytes(content)
    path.with_name("runs.sqlite.heads.jsonl").write_bytes(image[1])
    original = path.with_name("original.sqlite")
    original.write_bytes(image[0])
    try:
        found = findings(path)
        with Store.open(path, read_only=True) as store:
            data, latches = store.load(RUN), store.latches(only_open=False)
    except CornerrunError:
        return  # it can no longer be read, and says so
    if not found:
        with Store.open(original, read_only=True) as store:
            assert (data, latches) == (store.load(RUN), store.latches(only_open=False))


def test_a_board_left_off_latches_its_bench_until_somebody_acknowledges(tmp_path):
    store = Store.open(tmp_path / "runs.sqlite")
    store.begin_run(a_run(RUN), a_recipe(RUN), a_baseline())
    assert store.latches("desk/main") == ()
    store.end_run(RUN, RunResult.FAIL, EndState.OFF, "VDD above its hard limit", START)
    (latch,) = store.latches("desk/main")
    assert latch == Latch(
        bench_id="desk/main", run_id=RUN, end_state="off", why="VDD above its hard limit", set_utc=START
    )
    assert store.latches("another bench") == ()
    store.acknowledge(latch, by="A. Tester", found="a probe slipped", at_utc=START)
    assert store.latches("desk/main") == ()
    (closed,) = store.latches("desk/main", only_open=False)
    assert (closed.acknowledged_by, closed.found, closed.acknowledged_utc) == ("A. Tester", "a probe slipped", START)


def test_a_latch_outside_of_a_run_needs_no_run(tmp_path):
    store = Store.open(tmp_path / "runs.sqlite")
    latch = Latch(bench_id="desk", run_id="", end_state="off", why="to-nominal failed", set_utc=START)
    store.set_latch(latch)
    assert store.latches("desk") == (latch,)
    store.acknowledge(latch, by="A. Tester", found="", at_utc=START)
    assert store.latches("desk") == ()
