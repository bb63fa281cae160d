"""A board that is off while a condition changes: turned off and on in the plan's order, and ready, or a failed boot."""

from dataclasses import replace

import pytest
from fault_desk import FaultDesk
from test_power_cycling import BOARD, CHECK, POWER, _Mains, _switched

from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.run.cold_boot import ColdBoot
from cornerrun.run.power_cycling import PowerCycling
from cornerrun.run.sequence import Trouble
from cornerrun.run.trouble import Alarmed

AROUND = """
conditions:
  - {name: ambient, levels: {room: 25 degC, cold: -20 degC}, cold_boot: [cold], rest: room, ramp: 60 K/min}
"""
CHAMBER = "console: simulated\nconditions: {ambient: {driver: simulated}}"
OVEN = "chamber: {start: 25 degC, ramp: 90 K/min, time_constant: 2 s, soak: 3 s}\n"


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(*args, fails: str = "", power: str = POWER, around: str = AROUND, **texts) -> FaultDesk:
        board = BOARD.replace("FAILS", fails) + OVEN
        texts = {"BENCH": CHAMBER, "BOARD": board, "CHECKS": CHECK + power + around, "LOW": ""} | texts
        made.append(FaultDesk(tmp_path, *args, **texts))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_the_board_goes_off_before_the_change_and_comes_up_where_it_has_settled(desk):
    one = desk()
    end, visits = one.run(("all high*",), checks=True)
    assert (end.result, end.end_state) == (RunResult.PASS, EndState.NOMINAL)
    off = [(rail, False) for rail in ("SRAM", "CORE", "DDR")]
    on = [(rail, True) for rail in ("DDR", "CORE", "SRAM")]
    assert _switched(one) == [*off, *on]
    cold = next(record for record in visits if "cold" in record.visit.corner)
    (change,) = cold.changes
    assert (change.level, change.is_board_on) == ("cold", False)
    assert change.reading == pytest.approx(-20, abs=1)
    assert change.steepest_per_s <= 1.05, "60 K/min"
    assert cold.visit.phase_s["boot"] >= 1.5, "it takes two seconds or so to start"
    warm = next(record for record in visits if "room" in record.visit.corner)
    assert [item.is_board_on for item in warm.changes] == [True]
    assert "boot" not in warm.visit.phase_s
    notes = [event.what for event in one.store.load(end.run_id).events]
    assert any(note.startswith("cold boot at ambient cold: the board is ready after") for note in notes)
    assert any("ambient was brought from cold to rest at 25 degC" in note for note in notes)


def test_a_board_that_does_not_start_in_the_cold_fails_there(desk):
    one = desk(fails=", fails: 100 %", power=POWER.replace("cycles: 3", "cycles: 1"))
    end, visits = one.run(("all high*",), checks=True)
    cold = [record for record in visits if "cold" in record.visit.corner]
    assert cold[0].visit.outcome is Outcome.NO_ANSWER
    assert "did not become ready after it was turned on at ambient cold" in cold[0].visit.reason
    assert [(check.check, check.outcome) for check in cold[0].checks] == [
        ("cold boot", Outcome.NO_ANSWER),
        ("shell", Outcome.NOT_RUN),
    ]
    assert end.result is not RunResult.PASS
    assert end.end_state in (EndState.NOMINAL, EndState.OFF)
    assert all(record.visit.outcome is Outcome.PASS for record in visits if "room" in record.visit.corner)


@pytest.mark.parametrize("after_off_s", [0.5, 20.0, 40.0])
def test_a_stop_while_the_board_is_off_turns_it_on_and_ends_at_nominal(desk, after_off_s, monkeypatch):
    one = desk()
    off = []
    turn_off, sleep = PowerCycling.turn_off, one.clock.sleep_until

    def noted(cycling):
        turn_off(cycling)
        off.append(one.clock.now_s())

    def watched(deadline_s, *, interruptible=True):
        if off and one.clock.now_s() >= off[0] + after_off_s:
            one.clock.stop.request("interrupted")
        return sleep(deadline_s, interruptible=interruptible)

    monkeypatch.setattr(PowerCycling, "turn_off", noted)
    monkeypatch.setattr(one.clock, "sleep_until", watched)
    end, visits = one.run(("all high*",), checks=True)
    assert (end.exit_code, end.end_state) == (130, EndState.NOMINAL)
    assert visits[-1].visit.outcome is Outcome.ABORTED
    assert dict(_switched(one)) == dict.fromkeys(("SRAM", "CORE", "DDR"), True)


def test_where_the_input_power_is_cut_nothing_is_read_until_it_is_back(desk, monkeypatch):
    fed = ", upstream: {rail: input, duty: 90 %, lockout: 4 V}"
    one = desk(
        power="power_up: {by: input power, off_for: 1 s, ready: {console: node ready, timeout: 5 s}}\n",
        MANAGER=", supply: {rail: input, brown_out: 6 V, boot: 50 ms}",
        **{f"OF_{rail}": fed for rail in ("CORE", "SRAM", "DDR", "AUX")},
    )
    mains = _Mains(one)
    one.bench = replace(one.bench, input_power=mains)
    cut = []
    turn_off, turn_on = mains.turn_off, mains.turn_on
    monkeypatch.setattr(mains, "turn_off", lambda: (turn_off(), cut.append(one.clock.now_s())))
    monkeypatch.setattr(mains, "turn_on", lambda: (cut.append(one.clock.now_s()), turn_on()))
    end, visits = one.run(("all high*",), checks=True)
    assert (end.result, end.end_state) == (RunResult.PASS, EndState.NOMINAL)
    off_s, on_s = cut
    assert on_s - off_s > 30.0
    assert not [at_s for at_s, *_ in one.exchanges if off_s < at_s < on_s]
    cold = next(record for record in visits if "cold" in record.visit.corner)
    assert [change.is_board_on for change in cold.changes] == [False]


def test_trouble_that_wants_the_board_off_leaves_it_off(desk, monkeypatch):
    one = desk()
    off = []
    turn_off, wait = PowerCycling.turn_off, ColdBoot.wait_until

    def crossed(boot, deadline_s):
        wait(boot, deadline_s)
        raise Alarmed(Trouble.HARD_LIMIT, "AUX reads 3.7 V", ("AUX",))

    monkeypatch.setattr(PowerCycling, "turn_off", lambda cycling: (turn_off(cycling), off.append(True)))
    monkeypatch.setattr(ColdBoot, "wait_until", crossed)
    end, _ = one.run(("all high*",), checks=True)
    assert off
    assert end.end_state is EndState.OFF
    assert not any(is_on for _, is_on in _switched(one))
