"""A run that was cut short goes on as if nobody had touched it, and says that somebody did."""

import os
import random
import re
import signal
import sqlite3
import time

import pytest

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3", "--no-workbook")


def visits(data):
    """What a run says of its corners, without the control points that a seam puts between."""
    found = [
        (corner["name"], corner["outcomes"] if "outcomes" in corner else corner["outcome"])
        for corner in data["corners"]
    ]
    return sorted(map(str, found))


def passes(desk):
    store = sqlite3.connect(desk / "results" / "runs.sqlite")
    run = store.execute("SELECT run_id FROM runs ORDER BY started_utc DESC LIMIT 1").fetchone()[0]
    planned = store.execute("SELECT planned_visits FROM runs WHERE run_id = ?", (run,)).fetchone()[0]
    outcomes = store.execute(
        "SELECT visit, corner, repeat, outcome FROM visits WHERE run_id = ? AND visit < ? ORDER BY visit",
        (run, planned),
    ).fetchall()
    trials = store.execute(
        "SELECT visit, check_name, trial, passed FROM trials WHERE run_id = ? AND visit < ? ORDER BY visit, position",
        (run, planned),
    ).fetchall()
    seams = store.execute("SELECT count(*) FROM visits WHERE run_id = ? AND is_after_seam = 1", (run,)).fetchone()[0]
    store.close()
    return outcomes, trials, seams


def wait_for_visits(process, count):
    """Wait until so many visits have been told."""
    for line in process.stderr:
        if line.startswith("visit"):
            count -= 1
            if count <= 0:
                return
    raise AssertionError("the run ended before it was cut short")


def cut_short(start, bench, how, after_visits, delay_s):
    process = start(*QUICK, "--bench", bench)
    wait_for_visits(process, after_visits)
    deadline = time.monotonic() + delay_s
    while time.monotonic() < deadline:
        os.sched_yield()
    process.send_signal(how)
    process.communicate()
    return process.returncode


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_resumed_run_equals_one_that_nobody_stopped(cornerrun, start, simulate, desk, how):
    rng = random.Random(int(how))
    whole = cornerrun(*QUICK)
    assert whole.code == 1, whole.err
    expected = passes(desk)[:2]
    _, bench = simulate()
    cut_short(start, bench, how, rng.randrange(2, 12), rng.random() * 0.3)
    deadline = time.monotonic() + 30
    while cornerrun("runs", "--json").data[0]["result"] is None:
        assert time.monotonic() < deadline, "the guardian did not close the killed run"
    end = cornerrun("resume", "--no-workbook", "--operator", "night shift")
    assert end.code == 1, end.err
    outcomes, trials, seams = passes(desk)
    assert (outcomes, trials) == expected
    assert seams == 1
    assert "seam: resumed by night shift" in cornerrun("report").out
    assert cornerrun("audit").code == 0
    assert (
        cornerrun("report", "--json").data["why"]
        == cornerrun("report", cornerrun("runs", "--json").data[1]["run"], "--json").data["why"]
    )
    complete = cornerrun("resume")
    assert (complete.code, "is complete" in complete.err) == (2, True)


@pytest.fixture
def interrupted(start, simulate, desk):
    _, bench = simulate()
    assert cut_short(start, bench, signal.SIGINT, 4, 0.0) == 130
    return bench


def test_a_run_can_be_cut_short_more_than_once_and_wants_its_files_unchanged(cornerrun, start, interrupted, desk):
    for name in ("quickstart.yaml", "quickstart_checks.py", "tcp_bench.yaml"):
        text = (desk / name).read_text(encoding="utf-8")
        (desk / name).write_text(f"{text}\n# changed\n", encoding="utf-8")
        end = cornerrun("resume")
        assert end.code == 2, end.err
        assert f"{name} has changed" in end.err
        (desk / name).write_text(text, encoding="utf-8")
    assert passes(desk)[2] == 0, "nothing was begun"

    process = start("resume", "--no-workbook")
    wait_for_visits(process, 3)
    process.send_signal(signal.SIGINT)
    process.communicate()
    assert process.returncode == 130
    end = cornerrun("resume", "--no-workbook")
    assert end.code == 1, end.err
    outcomes, _, seams = passes(desk)
    assert seams == 2
    assert [visit for visit, *_ in outcomes] == list(range(len(outcomes)))
    assert cornerrun("audit").code == 0


def test_a_board_set_up_otherwise_is_not_resumed(cornerrun, start, interrupted, desk):
    store = sqlite3.connect(desk / "results" / "runs.sqlite")
    text = store.execute("SELECT details_json FROM runs").fetchone()[0]
    store.execute("UPDATE runs SET details_json = ?", (re.sub(r'"PM1":\{', '"PM1":{"other":"board",', text),))
    store.commit()
    store.close()
    end = cornerrun("resume")
    assert (end.code, "serial '00123'" in end.err) == (3, True), end.err


def test_a_drawn_order_and_what_chose_the_steps_are_drawn_again(cornerrun, start, simulate, desk):
    plan = desk / "quickstart.yaml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("\ncorners:\n", "\ncorners:\n  order: shuffled\n"), encoding="utf-8")
    asked = (*QUICK, "--only", "VDD*", "--repeat", "2", "--interleave", "nominal")
    cornerrun(*asked)
    expected = passes(desk)[0]
    _, bench = simulate()
    process = start(*asked, "--bench", bench)
    wait_for_visits(process, 5)
    process.send_signal(signal.SIGINT)
    process.communicate()
    assert process.returncode == 130
    cornerrun("resume", "--no-workbook")
    assert passes(desk)[0] == expected
