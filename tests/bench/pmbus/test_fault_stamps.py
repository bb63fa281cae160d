"""Entries of a fault log, by the layout of a profile."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.fault_stamps import LogLayout, log_entries

LAYOUT = LogLayout(first=1, size=6, page=0, register=1, bits=2, time=3, time_bytes=3, tick_s=1e-4)


@given(st.lists(st.tuples(st.integers(0, 31), st.integers(1, 254), st.integers(0, 2**24 - 1)), max_size=5))
def test_entries_come_back_as_they_were_written(written):
    block = bytes((len(written),)) + b"".join(
        bytes((page, 0x7A, bits)) + ticks.to_bytes(3, "little") for page, bits, ticks in written
    )
    found = [(entry.page, entry.bits, round(entry.at_s / 1e-4)) for entry in log_entries(block, LAYOUT)]
    assert found == written


def test_empty_places_and_a_cut_entry_are_none():
    block = b"\x02" + bytes(6) + b"\xff" * 6 + b"\x01\x7a\x10\x01\x00\x00" + b"\x01\x7a\x10"
    (entry,) = log_entries(block, LAYOUT)
    assert (entry.page, entry.register, entry.bits) == (1, 0x7A, 0x10)
    assert entry.at_s == pytest.approx(1e-4)


def test_a_log_may_hold_high_bytes_first_and_not_say_what_failed():
    layout = replace(LAYOUT, is_big_endian=True, register=None, bits=None)
    (entry,) = log_entries(b"\x01\x03\x7a\x10\x00\x01\x00", layout)
    assert (entry.page, entry.register, entry.bits) == (3, None, None)
    assert entry.at_s == pytest.approx(0.0256)
    assert layout.wraps_s == pytest.approx(1677.7216)


def test_a_block_shorter_than_its_heading_holds_nothing():
    assert log_entries(b"", LAYOUT) == ()
    assert log_entries(b"\x05", LAYOUT) == ()
