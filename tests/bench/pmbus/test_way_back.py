"""To nominal and to off: every rail gets its turn."""

import errno
from collections.abc import Callable
from typing import Any

import pytest

from cornerrun.clock import StopFlag
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, UnsafeState

OPERATION, ON_OFF_CONFIG, COMMAND, HIGH, LOW = 0x01, 0x02, 0x21, 0x25, 0x26
ALL_HIGH = [RailLevel(rail=rail, level="high") for rail in ("R0", "R1", "R2")]


def away(setup: Any) -> None:
    setup.power.connect()
    setup.power.move(ALL_HIGH)


def failing_on_page(setup: Any, page: int, *commands: int) -> Callable[[str, int], None]:
    def fail(method: str, command: int) -> None:
        if setup.emulator.page == page and command in commands:
            raise OSError(errno.ENXIO, "planted")

    return fail


def test_all_rails_come_home_in_the_order_given(setup: Any) -> None:
    away(setup)
    setup.emulator.selected.clear()
    setup.power.to_nominal([["R2"], ["R0"]])
    assert [page for page, _ in setup.emulator.selected] == [2, 0, 1]
    assert [setup.emulator.output_v(page) for page in range(3)] == pytest.approx([0.85, 1.2, 1.8], abs=1e-3)


def test_one_rail_that_can_not_go_home_never_stops_the_others(setup: Any) -> None:
    away(setup)
    setup.emulator.before = failing_on_page(setup, 0, OPERATION)
    with pytest.raises(UnsafeState, match=r"not at nominal: R0: .*ENXIO") as raised:
        setup.power.to_nominal()
    assert "R1" not in str(raised.value)
    setup.emulator.before = lambda method, command: None
    assert setup.emulator.output_v(1) == pytest.approx(1.2, abs=1e-3)
    assert setup.emulator.output_v(2) == pytest.approx(1.8, abs=1e-3)


def test_a_passing_fault_on_the_way_home_is_outlived(setup: Any) -> None:
    away(setup)
    left = 2

    def fail(method: str, command: int) -> None:
        nonlocal left
        if (method, command) == ("write_byte_data", OPERATION) and left:
            left -= 1
            raise OSError(errno.EAGAIN, "planted")

    setup.emulator.before = fail
    setup.power.to_nominal()
    assert left == 0
    assert setup.emulator.output_v(0) == pytest.approx(0.85, abs=1e-3)


def test_a_stop_request_does_not_shorten_the_way_home(setup: Any) -> None:
    away(setup)
    stop: StopFlag = setup.clock.stop
    stop.request("Ctrl-C")
    arrives_s = setup.clock.now_s() + 0.3
    setup.emulator.output_v = lambda page: (
        (0.85, 1.2, 1.8)[page] if setup.clock.now_s() >= arrives_s else 1.05 * (0.85, 1.2, 1.8)[page]
    )
    setup.power.to_nominal([["R0", "R1"], ["R2"]])
    assert setup.clock.now_s() >= arrives_s


def test_a_rail_that_does_not_arrive_is_named_after_its_own_time_out(setup: Any) -> None:
    away(setup)
    start_s = setup.clock.now_s()
    setup.emulator.output_v = lambda page: (0.8925, 1.2, 1.8)[page]
    with pytest.raises(UnsafeState, match=r"R0: reads 892\.\d+ mV, not within 8\.5 mV of 850 mV"):
        setup.power.to_nominal()
    assert setup.clock.now_s() - start_s == pytest.approx(1.0, abs=0.1)


def test_a_rail_that_is_off_is_not_at_nominal(setup: Any) -> None:
    away(setup)
    setup.emulator.pages[1][OPERATION] = 0x00
    with pytest.raises(UnsafeState, match=r"R1: is off \(STATUS_WORD 0x0840\), not at nominal"):
        setup.power.to_nominal()
    assert setup.emulator.output_v(0) == pytest.approx(0.85, abs=1e-3)


def test_a_rail_that_is_never_moved_is_brought_home_too_if_something_moved_it(make: Any) -> None:
    setup = make(fixed=(2,))
    setup.power.connect()
    setup.emulator.pages[2][HIGH] = round(1.83 * 4096)
    setup.emulator.pages[2][OPERATION] = 0xA8
    setup.power.to_nominal()
    assert setup.emulator.pages[2][OPERATION] == 0x80


def test_a_nominal_that_has_become_dangerous_is_not_selected(setup: Any) -> None:
    away(setup)
    setup.emulator.pages[0][COMMAND] = round(1.1 * 4096)
    with pytest.raises(UnsafeState, match=r"R0: R0 would be moved to 1.1001 V .* beyond its hard limits"):
        setup.power.to_nominal()
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=1e-3)


def test_a_board_left_at_a_margin_by_somebody_else_is_brought_home(setup: Any) -> None:
    setup.emulator.pages[0][LOW] = round(0.8075 * 4096)
    setup.emulator.pages[0][OPERATION] = 0x98
    setup.power.to_nominal()
    assert setup.emulator.pages[0][OPERATION] == 0x80


def test_off_is_verified_by_status_and_names_the_gate_that_holds_it_on(setup: Any) -> None:
    away(setup)
    setup.power.turn_off(["R0"])
    assert setup.emulator.output_v(0) == 0.0
    setup.emulator.pages[1][ON_OFF_CONFIG] = 0x16
    with pytest.raises(UnsafeState, match=r"R1: still on \(STATUS_WORD 0x0000\); ON_OFF_CONFIG 0x16 ignores OPERATION"):
        setup.power.turn_off(["R1"])


def test_one_rail_that_does_not_go_off_never_stops_the_others(setup: Any) -> None:
    away(setup)
    setup.emulator.before = failing_on_page(setup, 0, OPERATION)
    with pytest.raises(UnsafeState, match=r"not off: R0: .*") as raised:
        setup.power.turn_off()
    assert "R2" not in str(raised.value)
    assert setup.emulator.output_v(1) == 0.0
    assert setup.emulator.output_v(2) == 0.0


def test_off_needs_no_connection_that_proves_the_board(make: Any) -> None:
    setup = make(identity={"model": "another"})
    setup.power.turn_off()
    assert [setup.emulator.output_v(page) for page in range(3)] == [0.0, 0.0, 0.0]


def test_on_names_the_gate_that_keeps_operation_from_acting(setup: Any) -> None:
    setup.power.connect()
    setup.power.turn_off(["R0"])
    setup.emulator.pages[0][ON_OFF_CONFIG] = 0x16
    with pytest.raises(DeviceRefused, match="R0 can't be turned on over the bus; ON_OFF_CONFIG 0x16 ignores OPERATION"):
        setup.power.turn_on(["R0"])
    setup.emulator.pages[0][ON_OFF_CONFIG] = 0x1A
    setup.power.turn_on(["R0"])
    assert setup.emulator.pages[0][OPERATION] == 0x80
