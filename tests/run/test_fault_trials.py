"""Faults provoked without touching the board: who goes down, how soon, and whether it comes back."""

from dataclasses import replace
from typing import Any, cast

import pytest
from fault_desk import FaultDesk

from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.fault_response import FaultResponse
from cornerrun.results.records import EndState, Outcome
from cornerrun.run.fault_trials import FaultTrials, judged
from cornerrun.run.resuming import to_resume

LINE = "fault_lines:\n  F0: {driven_by: [CORE, DDR], obeyed_by: [CORE, SRAM], delay: 4 ms}\n"
UV_LIMIT, OV_LIMIT = 0x44, 0x40
SHUT, RETRY, CONTINUE = "0x80", "0xB8", "0x00"


def _of(byte: str) -> str:
    return f", registers: {{VOUT_UV_FAULT_RESPONSE: {byte}, VOUT_OV_FAULT_RESPONSE: {byte}}}"


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(*responses: str, byte: str = SHUT, **texts) -> FaultDesk:
        asked = "fault_responses:\n" + "".join(f"  - {{{text}}}\n" for text in responses)
        own = {f"OF_{rail}": _of(byte) for rail in ("CORE", "SRAM", "DDR")}
        made.append(FaultDesk(tmp_path, **{"BOARD": LINE, "CHECKS": asked} | own | texts))
        return made[-1]

    yield make
    for one in made:
        one.close()


def _trials(one: FaultDesk):
    end, visits = one.run(("nominal", "all*"))
    return end, visits, one.store.load(end.run_id).fault_trials


@pytest.mark.parametrize("fault", ["under voltage", "over voltage"])
def test_a_board_that_does_what_the_plan_says_shows_no_difference_and_the_run_goes_on(desk, fault):
    one = desk(f"rail: CORE, fault: {fault}, takes_down: [SRAM], within: 30 ms")
    before = one.bench.power.snapshot()
    end, visits, (trial,) = _trials(one)
    assert (trial.rail, trial.fault, trial.refused) == ("CORE", fault, "")
    assert trial.troubles == ()
    went = {item.rail: item.went_down_s for item in trial.rails}
    assert went["CORE"] < went["SRAM"] <= 0.03
    assert (went["DDR"], went["AUX"]) == (None, None)
    assert 0 < trial.resolution_s < 0.01
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 0)
    assert {record.visit.outcome for record in visits} == {Outcome.PASS}
    assert one.bench.power.snapshot() == before


def test_the_limit_is_back_before_anything_is_turned_on_again(desk):
    one = desk("rail: DDR, takes_down: [CORE, SRAM], within: 30 ms")
    _trials(one)
    written = [
        (command, rest[0])
        for method, address, command, rest in one.messages
        if address == 0x41 and method.startswith("write") and command in (UV_LIMIT, 0x01)
    ]
    limits = [n for n, (command, _) in enumerate(written) if command == UV_LIMIT]
    first_on = next(n for n, (command, byte) in enumerate(written) if command == 0x01 and byte & 0x80 and n > limits[0])
    assert len(limits) == 2
    assert limits[1] < first_on
    assert written[limits[1]][1] == round(1.2 * 0.85 * 4096)


def test_every_kind_of_difference_is_named(desk):
    one = desk(
        "rail: CORE, takes_down: [DDR], within: 30 ms",
        "rail: DDR, takes_down: [CORE, SRAM], within: 2 ms",
        "rail: SRAM, within: 30 ms, then: tries again",
    )
    end, visits, trials = _trials(one)
    core, ddr, sram = (trial.troubles for trial in trials)
    assert [text.partition(" after")[0] for text in core] == ["SRAM: went down", "DDR: did not go down"]
    assert any("later than 2 ms" in text for text in ddr)
    assert sram == ("SRAM: stayed off, and should have been tried again",)
    assert end.end_state is EndState.NOMINAL
    assert visits[-1].visit.outcome is Outcome.PASS


def test_a_rail_that_is_tried_again_is_told_from_one_that_stays_off(desk):
    one = desk("rail: SRAM, within: 30 ms, then: tries again", byte=RETRY, MANAGER=", retry: 200 ms")
    _, _, (trial,) = _trials(one)
    assert trial.troubles == ()
    (own,) = [item for item in trial.rails if item.rail == "SRAM"]
    assert own.came_back_s == pytest.approx(0.2, abs=0.05)


def test_a_rail_that_should_stay_off_and_comes_back_is_a_difference(desk):
    one = desk("rail: SRAM, within: 30 ms", byte=RETRY, MANAGER=", retry: 200 ms")
    _, _, (trial,) = _trials(one)
    assert "should have stayed off" in trial.troubles[0]


def test_a_device_that_has_no_such_limit_is_refused_with_the_reason_and_the_run_goes_on(desk):
    one = desk("rail: SRAM, within: 30 ms", MANAGER=", lacks: [VOUT_UV_FAULT_LIMIT]", BOARD="")
    end, visits, (trial,) = _trials(one)
    assert "VOUT_UV_FAULT_LIMIT" in trial.refused
    assert trial.rails == ()
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 0)
    assert {record.visit.outcome for record in visits} == {Outcome.PASS}


def test_a_control_point_proves_the_board_before_and_after(desk):
    one = desk("rail: CORE, takes_down: [SRAM], within: 30 ms")
    end, visits, _ = _trials(one)
    assert visits[0].visit.is_control
    assert visits[1].visit.is_control
    assert [record.visit.corner for record in visits].count("all high") == 1
    assert any("provoked: the board did what the plan says" in e.what for e in one.store.load(end.run_id).events)


def test_a_plan_without_fault_responses_provokes_nothing(desk):
    one = desk(CHECKS="")
    end, _, trials = _trials(one)
    assert trials == ()
    assert not [m for m in one.messages if m[0].startswith("write_word") and m[2] == UV_LIMIT]
    assert end.exit_code == 0


def test_what_was_provoked_before_a_seam_is_not_provoked_again(desk):
    one = desk("rail: CORE, takes_down: [SRAM], within: 30 ms", "rail: SRAM, within: 30 ms")
    end, _, (first, _) = _trials(one)
    data = one.store.load(end.run_id)
    planned = steps(one.plan, select(one.plan), only=("nominal", "all*"))
    resumed = to_resume(one.plan, replace(data, visits=data.visits[:2], fault_trials=(first,)), planned)
    assert resumed.tried == {("CORE", "under voltage")}

    def is_due(tried):
        anything = cast(Any, object())
        return FaultTrials(
            plan=one.plan,
            run_id=end.run_id,
            power=one.bench.power,
            provoker=cast(Any, one.bench.power),
            recovery=anything,
            sequence=anything,
            clock=one.clock,
            journal=anything,
            intend=anything,
            keep=anything,
            tried=tried,
        ).is_due

    assert is_due(resumed.tried)
    assert not is_due({*resumed.tried, ("SRAM", "under voltage")})


def test_rails_that_follow_by_hardware_must_go_down_too():
    from fake_bench import a_plan

    from cornerrun.plan.model import PageAddress, Tracks

    plan = a_plan()
    first, second = plan.rails[0], plan.rails[1]
    power = PageAddress(device="PM1", page=0)
    plan = replace(
        plan,
        rails=(
            replace(first, power=power),
            replace(second, power=power, tracks=Tracks(rail=first.name, ratio=0.5)),
            *plan.rails[2:],
        ),
    )
    response = FaultResponse(rail=first.name, fault="under voltage", takes_down=(), within_s=0.01, then="stays off")
    trial = judged(plan, response, {first.name: 0.001}, {}, resolution_s=0.001)
    assert trial.troubles == (f"{second.name}: did not go down",)
