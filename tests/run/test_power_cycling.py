"""A board that trips or hangs is turned off and on in the plan's order, and must be ready before the run goes on."""

from dataclasses import replace

import pytest
from fault_desk import OPERATION, FaultDesk

from cornerrun.errors import BenchError
from cornerrun.results.records import EndState, Outcome, RunResult

BOARD = """
board:
  checks: {shell: {thresholds: [{rail: CORE, below: 0.1 V, spread: 1 mV}]}}
  boot: {time: 2 s, needs: {CORE: 0.7 V, DDR: 0.9 V}FAILS}
  console: {banner: [node ready]}
  hangs: [{edge: {rail: CORE, below: 0.82 V}, after: 1 ms}]
"""
CHECK = """
checks:
  - {name: shell, python: "cornerrun.bench.simulated.checks:trial", trials: 3, timeout: 400 ms, takes: 10 ms,
     settings: {through: console}}
"""
POWER = "power_up: {order: [DDR, CORE, SRAM], off_for: 300 ms, cycles: 3, ready: {console: node ready, timeout: 5 s}}\n"


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(*args, power: str = POWER, fails: str = "", **texts) -> FaultDesk:
        board = BOARD.replace("FAILS", fails)
        texts = {"BENCH": "console: simulated", "BOARD": board, "CHECKS": CHECK + power} | texts
        made.append(FaultDesk(tmp_path, *args, **texts))
        return made[-1]

    yield make
    for one in made:
        one.close()


def _switched(one: FaultDesk) -> list[tuple[str, bool]]:
    """Which rail was turned off or on by OPERATION, in order; margins left out."""
    names = {(0x40, 0): "CORE", (0x40, 1): "SRAM", (0x41, 0): "DDR", (0x41, 1): "AUX"}
    page: dict[int, int] = {}
    seen: list[tuple[str, bool]] = []
    is_on = dict.fromkeys(names.values(), True)
    for method, address, command, rest in one.messages:
        if method == "write_byte_data" and command == 0x00:
            page[address] = rest[0]
        elif method == "write_byte_data" and command == OPERATION:
            rail, on = names[address, page[address]], bool(rest[0] & 0x80)
            if is_on[rail] is not on:
                is_on[rail] = on
                seen.append((rail, on))
    return seen


def test_a_board_that_hangs_at_margin_low_costs_one_outcome(desk):
    one = desk()
    end, visits = one.run(checks=True)
    by_corner = {record.visit.corner: record.visit.outcome for record in visits if not record.visit.is_control}
    hung = {corner for corner, outcome in by_corner.items() if outcome is Outcome.NO_ANSWER}
    assert hung == {"all low", "CORE low"}
    assert {outcome for corner, outcome in by_corner.items() if corner not in hung} == {Outcome.PASS}
    for place in [n for n, record in enumerate(visits) if record.visit.outcome is Outcome.NO_ANSWER]:
        assert (visits[place + 1].visit.is_control, visits[place + 1].visit.outcome) == (True, Outcome.PASS)
    assert (end.result, end.end_state, end.exit_code) == (RunResult.FAIL, EndState.NOMINAL, 1)
    told = [event.what for event in one.store.load(end.run_id).events if "power cycle" in event.what]
    assert [what.partition(":")[0] for what in told] == ["power cycle 1 of 3", "power cycle 2 of 3"]
    assert "the board is ready after 2." in told[0]


def test_rails_go_off_in_reverse_and_come_on_in_the_order_of_the_plan(desk):
    one = desk()
    one.run(("nominal", "CORE low"), checks=True)
    assert _switched(one) == [
        ("SRAM", False), ("CORE", False), ("DDR", False), ("DDR", True), ("CORE", True), ("SRAM", True),
    ]  # fmt: skip


def test_without_a_power_up_in_the_plan_a_hung_board_ends_the_run_at_its_control_point(desk):
    one = desk(power="")
    end, visits = one.run(("nominal", "CORE low", "SRAM low"), checks=True)
    assert end.end_state is EndState.NOMINAL
    assert _switched(one) == []
    assert visits[-1].visit.is_control
    assert visits[-1].visit.outcome is not Outcome.PASS


def test_a_board_that_never_becomes_ready_ends_the_run_at_nominal_after_the_cycles_of_the_plan(desk):
    one = desk(fails=", fails: 100 %")
    end, visits = one.run(("nominal", "CORE low", "SRAM low"), checks=True)
    assert end.end_state is EndState.NOMINAL
    assert "no more than 3 power cycles" in end.why
    assert [record.visit.outcome for record in visits][-1] is Outcome.NO_ANSWER
    volts = one.truth_v()
    assert all(volts[rail.name] == pytest.approx(rail.nominal_v, rel=0.01) for rail in one.plan.rails)
    told = [event.what for event in one.store.load(end.run_id).events if "did not become ready" in event.what]
    assert len(told) == 3


def test_after_a_trip_the_board_is_cycled_and_boots_before_the_control_point(desk):
    one = desk("  trips: [{rail: SRAM, shows: uv_fault, corner: SRAM low, after: 60 ms}]")
    end, visits = one.run(("nominal", "SRAM low", "DDR low"), checks=True)
    outcomes = {record.visit.corner: record.visit.outcome for record in visits if not record.visit.is_control}
    assert (outcomes["SRAM low"], outcomes["DDR low"]) == (Outcome.TRIPPED, Outcome.PASS)
    assert ("DDR", False) in _switched(one)
    assert end.end_state is EndState.NOMINAL
    assert one.simulation.board.truth(one.clock.now_s()).state == "up"


def test_when_the_cycles_are_used_up_the_next_silence_ends_the_run(desk):
    one = desk(power=POWER.replace("cycles: 3", "cycles: 1"))
    end, visits = one.run(checks=True)
    silent = [record for record in visits if record.visit.outcome is Outcome.NO_ANSWER]
    assert len(silent) == 2
    assert visits[-1] is silent[-1]
    assert (end.end_state, end.result) == (EndState.NOMINAL, RunResult.FAIL)
    assert "no more than 1 power cycles" in end.why


def test_a_console_that_is_asked_must_answer_with_the_text(desk):
    one = desk(power=POWER.replace("console: node ready", "console: up for, ask: status"))
    end, _ = one.run(("nominal", "CORE low"), checks=True)
    assert any("the board is ready" in event.what for event in one.store.load(end.run_id).events)


@pytest.mark.parametrize(("script", "is_ready"), [("exit 0", True), ("exit 1", False)])
def test_a_command_may_say_that_the_board_is_ready(desk, tmp_path, script, is_ready):
    path = tmp_path / "is_ready.sh"
    path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    path.chmod(0o755)
    board = BOARD.replace("FAILS", "").replace("time: 2 s", "time: 10 ms")
    one = desk(power="power_up: {cycles: 1, ready: {command: ./is_ready.sh, timeout: 3 s}}\n", BOARD=board)
    end, _ = one.run(("nominal", "CORE low"), checks=True)
    assert end.end_state is EndState.NOMINAL
    assert ("does not become ready" in end.why) is not is_ready


def test_the_input_power_is_cut_by_the_commands_of_the_bench_and_devices_are_reached_again(desk, tmp_path):
    path = tmp_path / "mains.sh"
    path.write_text('#!/bin/sh\necho "$1" >> mains.txt\n', encoding="utf-8")
    path.chmod(0o755)
    one = desk(
        power="power_up: {by: input power, off_for: 1 s}\n",
        BENCH="input_power: {off: ./mains.sh off, on: ./mains.sh on, timeout: 5 s}",
    )
    end, _ = one.run(("nominal", "CORE low"), checks=True)
    # This board does not feel the command, so it hangs at its control point as well, and is cycled once more.
    assert (tmp_path / "mains.txt").read_text(encoding="utf-8").split() == ["off", "on", "off", "on"]
    assert end.end_state is EndState.NOMINAL


class _Mains:
    """The input of the simulated board, down to nothing and back."""

    def __init__(self, one: FaultDesk) -> None:
        self._input = one.simulation.condition("input_voltage")

    def turn_off(self) -> None:
        self._input.start(0.0)

    def turn_on(self) -> None:
        self._input.start(12.0)


def test_managers_that_lose_their_supply_with_the_input_are_connected_anew_and_the_run_goes_on(desk):
    fed = ", upstream: {rail: input, duty: 90 %, lockout: 4 V}"
    one = desk(
        power="power_up: {by: input power, off_for: 1 s, ready: {console: node ready, timeout: 5 s}}\n",
        MANAGER=", supply: {rail: input, brown_out: 6 V, boot: 50 ms}",
        **{f"OF_{rail}": fed for rail in ("CORE", "SRAM", "DDR", "AUX")},
    )
    one.bench = replace(one.bench, input_power=_Mains(one))
    end, visits = one.run(("nominal", "CORE low", "DDR low"), checks=True)
    assert (end.end_state, end.result) == (EndState.NOMINAL, RunResult.FAIL)
    outcomes = {record.visit.corner: record.visit.outcome for record in visits if not record.visit.is_control}
    assert outcomes == {"nominal": Outcome.PASS, "CORE low": Outcome.NO_ANSWER, "DDR low": Outcome.PASS}
    data = one.store.load(end.run_id)
    assert any("the board is ready" in event.what for event in data.events)
    assert not [event.what for event in data.events if "configuration" in event.what and "differ" in event.what]


def test_a_command_that_fails_to_cut_the_input_ends_with_the_board_off(desk, tmp_path):
    path = tmp_path / "mains.sh"
    path.write_text("#!/bin/sh\nexit 3\n", encoding="utf-8")
    path.chmod(0o755)
    one = desk(power="power_up: {by: input power}\n", BENCH="input_power: {off: ./mains.sh off, on: ./mains.sh on}")
    end, _ = one.run(("nominal", "CORE low"), checks=True)
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert "'./mains.sh off' ended with 3" in end.why


def test_a_bench_without_the_console_that_the_plan_listens_to_is_refused_before_anything_moves(desk):
    one = desk(BENCH="")
    with pytest.raises(BenchError, match="this bench has no console"):
        one.run(checks=True)
    assert _switched(one) == []
