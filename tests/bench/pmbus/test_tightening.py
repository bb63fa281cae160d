"""Limits of the device at the hard limits while rails move, and as they were afterwards."""

import errno
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError
from cornerrun.plan.model import HardLimits, Rail, Settle
from cornerrun.plan.supply import Supply
from cornerrun.plan.tight import kept_rails, least_ov_limit_v

VOUT_MAX, OV_FAULT, MARGIN_HIGH = 0x24, 0x40, 0x25
LSB_V = 2.0**-12
HIGH = [RailLevel(rail="R0", level="high")]
# Hard limits of the fixture are 8 % around nominal, margins 5 %.
NOMINAL_V = (0.85, 1.2, 1.8)
TIGHT = [int(volts * 1.08 / LSB_V) for volts in NOMINAL_V]
RAIL = Rail(
    name="R0",
    nominal_v=0.85,
    levels={"nominal": 0.85},
    hard_limits=HardLimits(min_v=0.8, max_v=0.9),
    accuracy_ratio=0.005,
    settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=1.0),
)


def _made(make: Any, make_emulator: Any, *, limit: float = 1.2, **changes: Any) -> Any:
    emulator = make_emulator(list(NOMINAL_V))
    for page, volts in enumerate(NOMINAL_V):
        emulator.pages[page] |= {VOUT_MAX: round(volts * limit / LSB_V), OV_FAULT: round(volts * limit / LSB_V)}
    return make(emulator=emulator, **changes)


def _limits(setup: Any, code: int) -> list[int]:
    return [page[code] for page in setup.emulator.pages]


def test_limits_are_tightened_before_the_first_move_and_restored_byte_for_byte(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, limit=1.2)
    setup.power.connect()
    baseline = setup.power.take_baseline()
    before = [dict(page) for page in setup.emulator.pages]
    assert _limits(setup, VOUT_MAX) == [page[VOUT_MAX] for page in before]
    setup.power.move(HIGH)
    tight = _limits(setup, VOUT_MAX)
    assert (tight[0], tight[2]) == (TIGHT[0], TIGHT[2])
    assert _limits(setup, OV_FAULT) == tight
    first_move = next(n for n, e in enumerate(setup.emulator.log) if e[0] == "write_byte_data" and e[1] == 0x01)
    written = [n for n, e in enumerate(setup.emulator.log) if e[0].startswith("write") and e[1] == OV_FAULT]
    assert len(written) == 2
    assert max(written) < first_move
    setup.power.restore(baseline)
    assert [dict(page) for page in setup.emulator.pages] == before
    assert not [note for note in setup.link.remarks.take() if "second master" in note.what]


def test_limits_come_back_after_every_margin_word_unless_they_would_keep_one_out(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, limit=1.3)  # the margin words as found are 20 % above nominal
    setup.emulator.pages[2][MARGIN_HIGH] = round(1.8 * 1.05 / LSB_V)
    setup.power.connect()
    writes = setup.power.recipe(setup.power.take_baseline())
    order = [(write.page, write.command) for write in writes if write.stage == "configuration"]
    assert order.index((0, OV_FAULT)) < order.index((0, MARGIN_HIGH))
    assert order.index((2, VOUT_MAX)) > max(n for n, (_, code) in enumerate(order) if code == MARGIN_HIGH)


def test_a_limit_that_is_tighter_already_is_left(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator, limit=1.07)
    setup.power.connect()
    before = _limits(setup, OV_FAULT)
    setup.power.move(HIGH)
    assert _limits(setup, OV_FAULT) == before


def test_a_limit_that_the_plans_own_levels_might_run_into_is_left_and_said(make: Any, make_emulator: Any) -> None:
    """R1 has a level 15 % above nominal, beyond its hard limits of 8 %: no move reaches it, and no limit meets it."""
    setup = _made(make, make_emulator)
    setup.power.connect()
    before = _limits(setup, OV_FAULT)[1]
    setup.power.move(HIGH)
    assert _limits(setup, OV_FAULT)[1] == before
    notes = [note.what for note in setup.link.remarks.take() if note.rail == "R1"]
    assert any("VOUT_OV_FAULT_LIMIT is not tightened: at the hard limit of 1.296 V it may" in what for what in notes)


def test_a_part_that_refuses_is_noted_and_moved_nevertheless(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator)
    real = setup.emulator.write_word_data

    def refuse(address: int, command: int, word: int, /) -> None:
        if command == OV_FAULT:
            raise OSError(errno.EREMOTEIO, "planted")
        if command != VOUT_MAX:  # swallowed
            real(address, command, word)

    setup.emulator.write_word_data = refuse
    setup.power.connect()
    before = _limits(setup, VOUT_MAX)
    setup.power.move(HIGH)
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=LSB_V)
    assert _limits(setup, VOUT_MAX) == before
    notes = [note.what for note in setup.link.remarks.take()]
    assert sum("is not tightened, for the device keeps its word" in what for what in notes) == 4


def test_write_protection_leaves_limits_and_says_so(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator)
    setup.power.connect()
    for page, volts in enumerate(NOMINAL_V):
        setup.emulator.pages[page][MARGIN_HIGH] = round(volts * 1.05 / LSB_V)
    setup.emulator.write_protect = 0x20
    setup.power.connect()
    setup.power.move(HIGH)
    assert any("WRITE_PROTECT 0x20" in note.what for note in setup.link.remarks.take())
    assert _limits(setup, OV_FAULT)[0] > TIGHT[0]


def test_a_limit_that_went_to_another_rail_is_taken_back_before_anything_moves(make: Any, make_emulator: Any) -> None:
    setup = _made(make, make_emulator)
    setup.power.connect()
    before = [dict(page) for page in setup.emulator.pages]
    flips = iter([True])

    def flip(method: str, command: int) -> None:
        if method == "write_word_data" and command == VOUT_MAX and next(flips, False):
            setup.emulator.page = 2

    setup.emulator.before = flip
    with pytest.raises(BenchError, match=r"VOUT_MAX|PAGE"):
        setup.power.move(HIGH)
    assert setup.emulator.pages[2][VOUT_MAX] == before[2][VOUT_MAX]
    setup.power.move(HIGH)
    assert _limits(setup, VOUT_MAX)[2] == TIGHT[2]


def test_a_profile_may_leave_limits_with_a_reason(make: Any, make_emulator: Any) -> None:
    why = "its comparator glitches when a limit is written"
    setup = _made(make, make_emulator, profile=replace(load_profile("generic", Path()), keeps_limits=why))
    setup.power.connect()
    before = _limits(setup, OV_FAULT)
    setup.power.move(HIGH)
    assert _limits(setup, OV_FAULT) == before
    assert any(why in note.what for note in setup.link.remarks.take())


def test_reasons_go_by_rail_then_group_then_all() -> None:
    found = kept_rails({"all": "a", "core": "g", "R1": "r"}, ("R0", "R1", "R2"), {"core": ("R1", "R2")})
    assert found == {"R0": "a", "R1": "r", "R2": "g"}
    assert kept_rails({}, ("R0",), {}) == {}


@given(st.floats(0.5, 5.0), st.floats(0.0, 0.02), st.floats(0.0, 0.05), st.floats(0.0, 0.05), st.floats(0.0, 0.05))
def test_a_limit_at_or_above_what_is_needed_is_never_run_into(highest_v, accuracy, ripple_v, overshoot_v, comparator):
    supply = Supply(ripple_v=ripple_v, overshoot_v=overshoot_v, comparator_ratio=comparator)
    rail = replace(RAIL, accuracy_ratio=accuracy, supply=supply)
    limit_v = least_ov_limit_v(rail, highest_v)
    reached_v = highest_v * (1 + accuracy) + ripple_v / 2 + overshoot_v
    assert limit_v * (1 - comparator) == pytest.approx(reached_v, rel=1e-12)
    assert limit_v >= reached_v
