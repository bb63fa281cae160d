"""What a guardian does to a board, by raw writes alone, on the simulated bench's bytes."""

import errno
from dataclasses import replace

import pytest
from lost_board import HIGH, LostBoard, dead

from cornerrun.plan.model import NOMINAL
from cornerrun.results.records import EndState
from cornerrun.run.guardian_deed import make_safe

OPERATION, STATUS_OFF = 0x01, 0x40


def deed_of(board, before=lambda *_: None, *, return_order=(), shall_be_off=""):
    return make_safe(
        board.order, board.links(before), board.clock, return_order=return_order, shall_be_off=shall_be_off
    )


@pytest.mark.parametrize("level", ["high", "low"])
def test_a_board_at_margin_is_brought_to_nominal_byte_for_byte(level):
    board = LostBoard(level=level)
    assert not board.is_at_nominal
    deed = deed_of(board)
    assert (deed.end_state, deed.why) == (EndState.NOMINAL, "")
    assert board.is_at_nominal
    assert deed.written >= len(HIGH)
    assert deed.verified == len(board.order.recipe.writes)
    board.bench.power.connect()
    assert board.bench.safety.take_baseline().registers == board.baseline.registers


def test_a_board_at_nominal_is_only_looked_at():
    board = LostBoard(rails=())
    sent = []
    deed = deed_of(board, lambda name, arguments: sent.append((name, arguments[1])) if "write" in name else None)
    assert deed.end_state is EndState.NOMINAL
    assert {command for _, command in sent} <= {0x00}, "PAGE and nothing else is written"


def test_rails_go_home_in_the_order_of_the_step_under_way_each_burst_arriving_first():
    board = LostBoard()
    home = []

    def before(name, arguments):
        if name == "write_byte_data" and arguments[1] == OPERATION:
            home.append({rail.name for rail in board.plan.commanded_rails if away(board, rail)})

    deed = deed_of(board, before, return_order=[["VDD_IO"], ["VDD_SRAM", "VDD_CORE"], ["VDDQ"]])
    assert deed.end_state is EndState.NOMINAL
    first, second, third, last = home
    assert first == set(HIGH)
    assert second == third == {"VDD_SRAM", "VDD_CORE", "VDDQ"}, "both of a burst are sent before one has arrived"
    assert last == {"VDDQ"}


def away(board, rail) -> bool:
    voltage_v = board.bench.board.truth_v(rail.name, board.clock.now_s())
    return abs(voltage_v - rail.nominal_v) > 0.01 * rail.nominal_v


def test_a_run_that_was_turning_rails_off_is_finished_by_turning_them_off():
    board = LostBoard()
    deed = deed_of(board, shall_be_off="the runner was turning every rail off")
    assert (deed.end_state, deed.why) == (EndState.OFF, "the runner was turning every rail off")
    assert board.is_off


def test_a_rail_that_was_off_is_not_turned_on_but_all_others_off_and_it_is_named():
    board = LostBoard()
    board.bench.safety.turn_off(["VDDQ"])
    deed = deed_of(board)
    assert deed.end_state is EndState.OFF
    assert "off when the run was lost: VDDQ (STATUS_WORD 0x" in deed.why
    assert board.is_off


def test_a_dead_bus_is_waited_for_and_then_the_plug_must_be_pulled():
    board = LostBoard()
    deed = deed_of(board, dead)
    assert deed.end_state is EndState.UNKNOWN
    assert "remove the input power by hand" in deed.why
    assert deed.safe_s - deed.began_s > 4.0


@pytest.mark.parametrize(("dead_s", "state"), [(1.0, EndState.NOMINAL), (6.0, EndState.OFF)])
def test_a_bus_that_is_dead_for_a_while_is_waited_for(dead_s, state):
    board = LostBoard()
    start_s = board.clock.now_s()

    def before(*_):
        if board.clock.now_s() < start_s + dead_s:
            dead()

    assert deed_of(board, before).end_state is state
    assert board.is_off if state is EndState.OFF else board.is_at_nominal


def test_one_failed_message_powers_nothing_down():
    board = LostBoard()
    calls = iter(range(10_000))

    def before(*_):
        if next(calls) % 25 == 7:
            raise OSError(errno.EIO, "garbled")

    assert deed_of(board, before).end_state is EndState.NOMINAL
    assert board.is_at_nominal


def test_a_device_that_does_not_take_nominal_is_turned_off():
    board = LostBoard()

    def before(name, arguments):
        return name == "write_byte_data" and arguments[1] == OPERATION and bool(arguments[2] & 0x80)

    deed = deed_of(board, before)
    assert deed.end_state is EndState.OFF
    assert "OPERATION was not restored" in deed.why
    assert board.is_off


def test_a_rail_that_does_not_arrive_although_its_registers_say_nominal_ends_off():
    board = LostBoard()
    elsewhere = tuple(
        replace(one, low_word=one.low_word + 900, high_word=one.high_word + 900) if one.rail == "VDDQ" else one
        for one in board.order.arrivals
    )
    board.order = replace(board.order, arrivals=elsewhere)
    deed = deed_of(board)
    assert deed.end_state is EndState.OFF
    assert "VDDQ: reads 0x" in deed.why


def test_every_commanded_rail_has_words_that_count_as_nominal_and_margins_do_not():
    board = LostBoard(rails=())
    words = {one.rail: (one.low_word, one.high_word) for one in board.order.arrivals}
    assert set(words) == {rail.name for rail in board.plan.commanded_rails}
    for rail, (low, high) in words.items():
        nominal = board.bench.power.setpoint(rail, NOMINAL).word
        assert low < nominal < high
        assert not low <= board.bench.power.setpoint(rail, "high").word <= high
        assert not low <= board.bench.power.setpoint(rail, "low").word <= high
