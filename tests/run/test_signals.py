"""Signals become a flag; a second one changes nothing; the handlers found come back."""

import os
import signal
import threading

import pytest
from fake_bench import Rig

from cornerrun.clock import StopFlag
from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.run.signals import stop_on_signals

SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_sets_the_flag_and_nothing_else(number):
    stop = StopFlag()
    with stop_on_signals(stop):
        os.kill(os.getpid(), number)
        os.kill(os.getpid(), number)
        assert number.name in (stop.reason or "")


def test_the_handlers_found_are_put_back():
    before = [signal.getsignal(number) for number in SIGNALS]
    with stop_on_signals(StopFlag()):
        assert signal.getsignal(signal.SIGINT) not in before
    assert [signal.getsignal(number) for number in SIGNALS] == before


def test_outside_the_main_thread_nothing_is_changed():
    before = signal.getsignal(signal.SIGINT)
    seen = []

    def work() -> None:
        with stop_on_signals(StopFlag()):
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]


@pytest.mark.parametrize("number", SIGNALS)
def test_a_run_that_gets_a_signal_and_more_of_them_on_its_way_back_ends_at_nominal(number):
    rig = Rig()

    def send(board):
        os.kill(os.getpid(), number)

    rig.at("move", 2, send)
    rig.at("to_nominal", 1, send)
    rig.at("restore", 1, send)
    end = rig.run()
    assert (end.end_state, end.exit_code, end.result) == (EndState.NOMINAL, 130, RunResult.INCOMPLETE)
    assert rig.board.is_at_nominal
    assert rig.board.restored == 1
    assert number.name in end.why
    assert rig.store.visits[-1].visit.outcome is Outcome.ABORTED
    assert [record.visit.outcome for record in rig.store.visits[:-1]] == [Outcome.PASS, Outcome.PASS]
