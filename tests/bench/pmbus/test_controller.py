"""Restoring a whole board."""

import errno
from collections.abc import Callable
from typing import Any

import pytest

from cornerrun.corners.model import RailLevel
from cornerrun.errors import UnsafeState

COMMAND, HIGH = 0x21, 0x25
ALL_HIGH = [RailLevel(rail=rail, level="high") for rail in ("R0", "R1", "R2")]


def failing_on_page(setup: Any, page: int, *commands: int) -> Callable[[str, int], None]:
    def fail(method: str, command: int) -> None:
        if setup.emulator.page == page and command in commands:
            raise OSError(errno.ENXIO, "planted")

    return fail


def test_everything_is_put_back_byte_for_byte_page_last(setup: Any) -> None:
    setup.emulator.page = 1
    setup.power.connect()
    baseline = setup.power.take_baseline()
    found = [dict(page) for page in setup.emulator.pages]
    setup.power.move(ALL_HIGH)
    setup.power.move([RailLevel(rail="R0", level="low3")])
    assert setup.emulator.pages != found
    setup.power.restore(baseline)
    assert setup.emulator.pages == found
    assert setup.emulator.page == 1


def test_what_somebody_else_changed_meanwhile_is_put_back_too(setup: Any) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    found = [dict(page) for page in setup.emulator.pages]
    setup.power.move(ALL_HIGH)
    setup.emulator.pages[1][COMMAND] += 7
    setup.emulator.pages[1][0x22] = 3
    setup.power.restore(baseline)
    assert setup.emulator.pages == found


def test_a_register_that_can_not_be_put_back_is_named_and_the_rest_is_put_back(setup: Any) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    found = [dict(page) for page in setup.emulator.pages]
    setup.power.move(ALL_HIGH)
    setup.emulator.before = failing_on_page(setup, 1, HIGH)
    with pytest.raises(UnsafeState, match=r"R1: VOUT_MARGIN_HIGH was not restored: .*ENXIO"):
        setup.power.restore(baseline)
    del found[1][HIGH], setup.emulator.pages[1][HIGH]
    assert setup.emulator.pages == found


def test_a_baseline_can_be_restored_by_a_driver_that_never_saw_the_board_before(make: Any) -> None:
    setup = make()
    setup.power.connect()
    baseline = setup.power.take_baseline()
    found = [dict(page) for page in setup.emulator.pages]
    setup.power.move(ALL_HIGH)
    other = make(emulator=setup.emulator)
    other.power.restore(baseline)
    assert setup.emulator.pages == found
