"""Where a fault began: a rail with evidence, or nobody."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.ports import StatusCapture
from cornerrun.run.faults import UNDETERMINED, classify, own_faults

OFF = 0x0840


def _capture(rail: str, **registers: int) -> StatusCapture:
    return StatusCapture(rail=rail, taken_at_s=1.0, registers=registers)


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
