"""A killed run: a new one refuses, and to-nominal brings the board back from what was stored."""

import pytest
from fake_bench import Rig

from cornerrun.errors import LinkError, NotAtNominal, UnsafeState
from cornerrun.results.records import EndState, RunResult
from cornerrun.run.rescue import to_nominal


class Killed(BaseException):
    """Stands for SIGKILL: nothing of the run happens after it."""


def _killed(rig: Rig) -> None:
    """Leave board and store as a killed run does."""
    rig.run()
    rig.store.end = None
    rig.store.intents = rig.store.intents[:2]
    rig.log.clear()
    for rail in ("CORE", "DDR", "IO"):
        rig.board._send(rail, "high")


def _rescue(rig: Rig):
    return to_nominal(rig.plan, rig.bench_file, rig.ports, rig.store, rig.clock, listener=rig)


def test_a_new_run_refuses_while_another_never_ended():
    rig = Rig()
    _killed(rig)
    with pytest.raises(NotAtNominal, match="cornerrun to-nominal"):
        rig.run()
    assert not [entry for entry in rig.log if entry[0] in {"move", "restore", "clear"}]


def test_brings_the_board_back_in_the_stored_order_restores_and_closes_the_run():
    rig = Rig()
    _killed(rig)
    run_id = rig.store.run.run_id
    rescued = _rescue(rig)
    assert (rescued.end_state, rescued.exit_code, rescued.closed) == (EndState.NOMINAL, 0, (run_id,))
    assert rig.board.is_at_nominal
    assert rig.store.end[:2] == (RunResult.INCOMPLETE, EndState.NOMINAL)
    order = next(entry[1] for entry in rig.log if entry[0] == "to_nominal")
    assert {rail for burst in order for rail in burst} == {"CORE", "DDR", "IO"}
    assert rig.board.restored == 2
    assert rig.run().exit_code == 0, "the next run may start"


def test_without_a_stored_run_the_plan_says_what_nominal_is():
    rig = Rig()
    rig.board._send("CORE", "low")
    rescued = _rescue(rig)
    assert (rescued.end_state, rescued.closed) == (EndState.NOMINAL, ())
    assert rig.board.is_at_nominal
    assert rig.board.restored == 0


def test_a_board_that_does_not_come_back_goes_off_and_its_run_stays_open():
    rig = Rig()
    _killed(rig)
    rig.board.outputs["DDR"].clamp_v = 1.15
    rescued = _rescue(rig)
    assert (rescued.end_state, rescued.exit_code, rescued.closed) == (EndState.OFF, 4, ())
    assert "DDR reads 1.15 V, nominal is 1.2 V" in rescued.why
    assert rig.store.end is None


def test_rails_that_are_off_are_left_to_a_person():
    rig = Rig()
    _killed(rig)
    rig.board.trip("IO")
    with pytest.raises(UnsafeState, match="off: IO"):
        _rescue(rig)
    assert "turn_on" not in rig.board.counts


def test_a_bench_that_cannot_be_reached_is_an_unknown_state():
    rig = Rig()
    _killed(rig)

    def fail(board):
        raise LinkError("bus main: no acknowledge")

    rig.at("connect", 2, fail)
    with pytest.raises(UnsafeState, match="no acknowledge") as caught:
        _rescue(rig)
    assert caught.value.exit_code == 4


def test_status_bits_that_stand_do_not_stop_the_way_back():
    rig = Rig()
    _killed(rig)
    rig.board.outputs["IO"].registers["STATUS_WORD"] = 1 << 5
    assert _rescue(rig).end_state is EndState.NOMINAL


def test_a_stop_flag_changes_nothing_on_the_way():
    rig = Rig()
    _killed(rig)
    rig.clock.stop.request("interrupted")
    assert _rescue(rig).end_state is EndState.NOMINAL
