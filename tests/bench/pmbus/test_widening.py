"""Limits moved away from a rail, and faults ignored while it is margined: only as far as the plan says, and back."""

from typing import Any

import pytest

from cornerrun.bench.pmbus.operation import ignoring_faults
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused
from cornerrun.plan.model import Widened

OPERATION, OV_FAULT, UV_FAULT = 0x01, 0x40, 0x44
LSB_V = 2.0**-12
LOW = [RailLevel(rail="R0", level="low"), RailLevel(rail="R1", level="low")]


def _made(make: Any, make_emulator: Any, changes: Any, *, uv_fault_v: float | None = 0.84) -> Any:
    emulator = make_emulator([0.85, 1.2, 1.8])
    for page in emulator.pages:
        page[OV_FAULT] = round(2.5 / LSB_V)
        if uv_fault_v is not None:
            page[UV_FAULT] = round(uv_fault_v / LSB_V)
        else:
            page.pop(UV_FAULT, None)
    return make(emulator=emulator, changes=changes)


def test_a_widened_limit_is_moved_before_the_rail_and_comes_back_byte_for_byte(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, {"R0": {"widened": Widened(limits_v={"uv_fault": 0.79})}})
    setup.power.connect()
    baseline = setup.power.take_baseline()
    before = [dict(page) for page in setup.emulator.pages]
    setup.power.move(LOW)
    assert setup.emulator.pages[0][UV_FAULT] == round(0.79 / LSB_V)
    assert [page[UV_FAULT] for page in setup.emulator.pages[1:]] == [page[UV_FAULT] for page in before[1:]]
    log = setup.emulator.log
    moved = next(n for n, entry in enumerate(log) if entry[:2] == ("write_byte_data", OPERATION))
    widened = next(n for n, entry in enumerate(log) if entry[:2] == ("write_word_data", UV_FAULT))
    assert widened < moved
    setup.power.to_nominal()
    setup.power.restore(baseline)
    assert [dict(page) for page in setup.emulator.pages] == before
    notes = setup.link.remarks.take()
    assert any("VOUT_UV_FAULT_LIMIT was moved" in note.what and note.rail == "R0" for note in notes)
    assert not [note for note in notes if "under us" in note.what]


def test_a_limit_that_lies_further_out_already_is_left(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, {"R0": {"widened": Widened(limits_v={"uv_fault": 0.84})}}, uv_fault_v=0.5)
    setup.power.connect()
    setup.power.move(LOW)
    assert setup.emulator.pages[0][UV_FAULT] == round(0.5 / LSB_V)


def test_a_device_without_the_limit_is_refused_before_the_rail_moves(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, {"R0": {"widened": Widened(limits_v={"uv_fault": 0.79})}}, uv_fault_v=None)
    setup.power.connect()
    with pytest.raises(DeviceRefused, match="has no VOUT_UV_FAULT_LIMIT"):
        setup.power.move(LOW)
    assert not [entry for entry in setup.emulator.log if entry[:2] == ("write_byte_data", OPERATION)]


def test_only_the_named_rail_is_told_to_ignore_its_faults(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, {"R0": {"ignores_faults": True}})
    setup.power.connect()
    before = [page[OPERATION] for page in setup.emulator.pages]
    setup.power.move(LOW)
    # PMBus: OPERATION 0x94 is on, margin low, ignore faults; 0x98 acts on them.
    assert [page[OPERATION] for page in setup.emulator.pages] == [0x94, 0x98, before[2]]
    setup.power.to_nominal()
    assert [page[OPERATION] for page in setup.emulator.pages] == before


@pytest.mark.parametrize(("acts", "ignores"), [(0x98, 0x94), (0xA8, 0xA4)])
def test_the_bits_that_ignore_faults_are_those_of_the_standard(acts: int, ignores: int) -> None:
    # Source: PMBus part II, OPERATION, as data sheets restate it (from memory).
    assert ignoring_faults(acts) == ignores
