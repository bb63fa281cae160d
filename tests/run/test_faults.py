"""Where a fault began: a rail with evidence, or nobody."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.ports import FaultStamp, StatusCapture
from cornerrun.run.faults import UNDETERMINED, classify, goes_on, own_faults

OFF = 0x0840


def _capture(rail: str, *stamps: FaultStamp, **registers: int) -> StatusCapture:
    return StatusCapture(rail=rail, taken_at_s=1.0, registers=registers, stamps=stamps)


def _stamp(at_s: float, *, clock: str = "PM1", register: str | None = None, bits: int | None = None) -> FaultStamp:
    return FaultStamp(clock=clock, at_s=at_s, wraps_s=1677.7216, tick_s=1e-4, register=register, bits=bits)


def _both(first: tuple[FaultStamp, ...], second: tuple[FaultStamp, ...], **changes: int) -> tuple[StatusCapture, ...]:
    return (
        _capture("CORE", *first, STATUS_WORD=OFF, STATUS_VOUT=changes.get("core", 0x10)),
        _capture("DDR", *second, STATUS_WORD=OFF, STATUS_VOUT=changes.get("ddr", 0x10)),
    )


def test_the_only_rail_with_a_fault_of_its_own_limits_is_the_originator():
    found = classify(
        [
            _capture("CORE", STATUS_WORD=OFF),
            _capture("DDR", STATUS_WORD=OFF | 0x8000, STATUS_VOUT=0x10),
            _capture("IO", STATUS_WORD=OFF),
            _capture("AUX", STATUS_WORD=0),
        ],
        moving=["CORE"],
    )
    assert found.originator == "DDR"
    assert found.kind == "UV"
    assert found.followers == ("CORE", "IO")
    assert not found.is_severe


def test_without_a_fault_bit_the_moving_rail_that_is_off_is_the_originator():
    found = classify([_capture("CORE", STATUS_WORD=OFF), _capture("DDR", STATUS_WORD=OFF)], moving=["CORE"])
    assert (found.originator, found.kind, found.followers) == ("CORE", "off", ("DDR",))


def test_a_moving_rail_that_is_still_on_is_no_originator():
    found = classify([_capture("CORE", STATUS_WORD=0), _capture("DDR", STATUS_WORD=OFF)], moving=["CORE"])
    assert found.originator == UNDETERMINED
    assert found.followers == ("DDR",)


def test_two_moving_rails_that_are_off_are_undetermined():
    found = classify([_capture("CORE", STATUS_WORD=OFF), _capture("DDR", STATUS_WORD=OFF)], moving=["CORE", "DDR"])
    assert found.originator == UNDETERMINED


def test_two_rails_with_faults_of_their_own_are_undetermined():
    found = classify(
        [
            _capture("CORE", STATUS_WORD=OFF, STATUS_IOUT=0x80),
            _capture("DDR", STATUS_WORD=OFF, STATUS_VOUT=0x10),
        ],
        moving=["CORE"],
    )
    assert found.originator == UNDETERMINED
    assert found.kind == "OC+UV"
    assert set(found.followers) == {"CORE", "DDR"}
    assert found.is_severe


@pytest.mark.parametrize(
    ("registers", "kind", "is_severe"),
    [
        ({"STATUS_VOUT": 0x80}, "OV", True),
        ({"STATUS_IOUT": 0x80}, "OC", True),
        ({"STATUS_TEMPERATURE": 0x80}, "OT", True),
        ({"STATUS_VOUT": 0x10}, "UV", False),
        ({"STATUS_VOUT": 0x04}, "TON_MAX", False),
        ({"STATUS_WORD": OFF | 0x20}, "OV", True),
        ({"STATUS_WORD": OFF | 0x10}, "OC", True),
    ],
)
def test_names_the_fault_and_tells_which_must_end_off(registers, kind, is_severe):
    found = classify([_capture("CORE", **({"STATUS_WORD": OFF} | registers))], moving=[])
    assert (found.originator, found.kind, found.is_severe) == ("CORE", kind, is_severe)


def test_warnings_are_no_faults_of_a_rail():
    # STATUS_VOUT 6 and 5, STATUS_IOUT 5, STATUS_TEMPERATURE 6: warnings.
    assert own_faults(_capture("CORE", STATUS_VOUT=0x60, STATUS_IOUT=0x20, STATUS_TEMPERATURE=0x40)) == ()


def test_an_input_fault_is_nobodys_own():
    found = classify([_capture("CORE", STATUS_WORD=OFF, STATUS_INPUT=0x10)], moving=[])
    assert (found.originator, found.kind) == (UNDETERMINED, "input")


def test_nothing_captured_is_undetermined():
    assert classify([], moving=["CORE"]).originator == UNDETERMINED


@pytest.mark.parametrize(
    ("core", "ddr", "originator"),
    [
        ((_stamp(5.0),), (_stamp(5.001),), "CORE"),
        ((_stamp(5.0), _stamp(6.0)), (_stamp(4.9), _stamp(5.5)), "DDR"),
        ((_stamp(5.0),), (_stamp(5.0001),), UNDETERMINED),  # one step apart is at once
        ((_stamp(5.0),), (), UNDETERMINED),  # the entry of the other may have been overwritten
        ((_stamp(5.0),), (_stamp(9.0, clock="PM2"),), UNDETERMINED),  # two clocks
        ((_stamp(0.001),), (_stamp(1677.7),), "DDR"),  # the clock started again in between
    ],
)
def test_the_first_entry_of_one_clock_names_the_originator(core, ddr, originator):
    found = classify(_both(core, ddr), moving=["CORE"])
    assert found.originator == originator


def test_a_rail_that_only_the_fault_log_tells_of_is_named_and_one_on_another_clock_is_not_overruled():
    log_only = (_capture("CORE", STATUS_WORD=OFF), _capture("PM1 page 7", _stamp(5.0)))
    assert classify(log_only, moving=["CORE"]).originator == "PM1 page 7"
    disputed = (_capture("CORE", STATUS_WORD=OFF, STATUS_VOUT=0x10), _capture("DDR", _stamp(5.0)))
    assert classify(disputed, moving=["CORE"]).originator == UNDETERMINED


def test_an_entry_of_a_warning_is_no_fault_of_its_own():
    warning = _stamp(4.0, register="STATUS_VOUT", bits=0x20)
    fault = _stamp(5.0, register="STATUS_VOUT", bits=0x10)
    assert classify(_both((fault,), (warning,), ddr=0x20), moving=[]).originator == "CORE"


def test_a_rail_that_fell_with_what_feeds_it_is_no_suspect():
    captures = _both((), (), core=0x80, ddr=0x10)
    assert classify(captures, moving=[], fed_by={"DDR": frozenset({"CORE"})}).originator == "CORE"
    assert classify(captures, moving=[], fed_by={}).originator == UNDETERMINED


def test_an_over_current_above_does_not_explain_a_fallen_rail_below_for_the_short_may_be_there():
    captures = (
        _capture("CORE", STATUS_WORD=OFF, STATUS_IOUT=0x80),
        _capture("DDR", STATUS_WORD=OFF, STATUS_VOUT=0x10),
    )
    assert classify(captures, moving=[], fed_by={"DDR": frozenset({"CORE"})}).originator == UNDETERMINED


def test_a_low_input_explains_every_under_voltage_but_no_over_voltage():
    fallen = (_capture("CORE", STATUS_WORD=OFF, STATUS_VOUT=0x10, STATUS_INPUT=0x10),)
    assert classify(fallen, moving=["CORE"]).originator == UNDETERMINED
    assert classify(fallen, moving=["CORE"]).why.startswith("the input supply reports a fault (STATUS_INPUT 0x10)")
    above = (_capture("CORE", STATUS_WORD=OFF, STATUS_VOUT=0x80, STATUS_INPUT=0x10),)
    assert classify(above, moving=[]).originator == "CORE"


def test_a_rail_whose_device_goes_on_has_taken_nobody_down():
    going_on = _capture("CORE", STATUS_WORD=0x8000, STATUS_VOUT=0x10, VOUT_UV_FAULT_RESPONSE=0x3F)
    assert goes_on(going_on)
    down = _capture("DDR", STATUS_WORD=OFF)
    assert classify([going_on, down], moving=[]).originator == UNDETERMINED
    assert classify([going_on, down], moving=["DDR"]).originator == "DDR"
    retrying = _capture("CORE", STATUS_WORD=0x8000, STATUS_VOUT=0x10, VOUT_UV_FAULT_RESPONSE=0xBF)
    assert classify([retrying, down], moving=[]).originator == "CORE"


@given(
    st.lists(
        st.tuples(st.sampled_from([0, OFF]), st.integers(0, 255), st.integers(0, 255), st.integers(0, 255)),
        max_size=5,
    ),
    st.sets(st.integers(0, 4)),
)
def test_a_named_originator_always_has_evidence(states, moving):
    captures = [
        _capture(f"R{n}", STATUS_WORD=word, STATUS_VOUT=vout, STATUS_IOUT=iout, STATUS_TEMPERATURE=temperature)
        for n, (word, vout, iout, temperature) in enumerate(states)
    ]
    found = classify(captures, moving={f"R{n}" for n in moving})
    if found.originator == UNDETERMINED:
        return
    (own,) = [capture for capture in captures if capture.rail == found.originator]
    others = [capture for capture in captures if capture.rail != found.originator]
    assert not any(own_faults(capture) for capture in others)
    assert own_faults(own) or (own.registers["STATUS_WORD"] & 0x40 and found.originator[1:] in map(str, moving))
    assert found.originator not in found.followers
