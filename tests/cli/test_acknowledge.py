"""A board that ends off keeps every later run off its bench until a named person has acknowledged it."""

import pytest

from cornerrun.bench.bench import bench_identity
from cornerrun.bench.latch import LatchNote, clear_latch, latched, leave_latch
from cornerrun.plan.load import load_bench

TRIP = "\nfaults:\n  trips: [{rail: VDDQ, shows: oc_fault, corner: 'all low', after: 10 ms}]\n"
QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3", "--no-workbook")


@pytest.fixture
def left_off(cornerrun, desk):
    """A run in which an over-current trip turns the board off."""
    board = desk / "quickstart_board.yaml"
    healthy = board.read_text(encoding="utf-8")
    board.write_text(healthy + TRIP, encoding="utf-8")
    end = cornerrun(*QUICK)
    assert end.code == 4, end.err
    board.write_text(healthy, encoding="utf-8")
    return end


def test_a_board_left_off_bars_its_bench_until_a_named_person_acknowledges_it(cornerrun, left_off):
    assert "acknowledge" in left_off.out
    for command in (QUICK, ("goto", "quickstart.yaml", "all high", "--hold", "1s")):
        refused = cornerrun(*command)
        assert refused.code == 4
        assert "was left off by run" in refused.err
        assert "cornerrun acknowledge PLAN --name NAME" in refused.err
    assert cornerrun("measure", "quickstart.yaml").code == 0, "looking moves nothing"

    unnamed = cornerrun("acknowledge", "quickstart.yaml", stdin=-3)
    assert (unnamed.code, "give --name" in unnamed.err) == (2, True)
    assert cornerrun(*QUICK).code == 4

    done = cornerrun("acknowledge", "quickstart.yaml", "--name", "A. Tester", "--found", "load was shorted")
    assert done.code == 0, done.err
    assert "VDDQ" in done.err
    assert cornerrun(*QUICK, "--only", "all high").code == 1, "runs may start again, and find the trim error"
    assert cornerrun("audit", cornerrun("runs", "--json").data[1]["run"]).code == 0


@pytest.mark.parametrize("name", ["", "  ", "bell\a", "x" * 1001])
def test_a_name_that_names_nobody_is_refused(cornerrun, left_off, name):
    end = cornerrun("acknowledge", "quickstart.yaml", "--name", name, "--found", "all well")
    assert end.code == 2
    assert "printable characters" in end.err
    assert cornerrun(*QUICK).code == 4


def test_a_bench_that_is_not_latched_says_so(cornerrun):
    end = cornerrun("acknowledge", "quickstart.yaml", "--name", "A. Tester", "--found", "nothing")
    assert (end.code, "not latched" in end.out) == (0, True)


def test_another_results_folder_does_not_free_a_bench_that_others_can_reach(cornerrun, tcp_bench):
    identity = bench_identity(load_bench(tcp_bench))
    leave_latch(identity, LatchNote(run_id="ab12", store="/elsewhere/runs.sqlite", end_state="off", why="VDDQ: oc"))
    try:
        refused = cornerrun(*QUICK, "--bench", tcp_bench)
        assert refused.code == 4
        assert "run ab12, kept in /elsewhere/runs.sqlite" in refused.err
        told = ("--name", "A. Tester", "--found", "load was shorted")
        assert cornerrun("acknowledge", "quickstart.yaml", "--bench", tcp_bench, *told).code == 0
        assert latched(identity) is None
        assert "was left off" not in cornerrun(*QUICK, "--bench", tcp_bench, "--only", "all high").err
    finally:
        clear_latch(identity)


def test_the_alarm_command_of_the_bench_file_is_called(cornerrun, desk):
    script = desk / "call.sh"
    script.write_text('#!/bin/sh\necho "$CORNERRUN_STATION: $CORNERRUN_END_STATE" > called\n', encoding="utf-8")
    script.chmod(0o755)
    with (desk / "quickstart_bench.yaml").open("a", encoding="utf-8") as file:
        file.write("alarm: {command: ./call.sh, timeout: 5 s}\n")
    with (desk / "quickstart_board.yaml").open("a", encoding="utf-8") as file:
        file.write(TRIP)
    assert cornerrun(*QUICK).code == 4
    assert (desk / "called").read_text() == "desk: off\n"
