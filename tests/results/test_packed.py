import math
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_example import a_visit

from cornerrun.results.codec import from_json, to_json
from cornerrun.results.packed import Packer, column_of
from cornerrun.results.records import Reading, SettleTrace, VisitRecord, WatchRange

VOLTS = st.floats(allow_nan=False)
MAYBE = st.none() | VOLTS
POINTS = st.lists(st.tuples(VOLTS, VOLTS), max_size=4).map(tuple)
TRACES = st.lists(st.builds(SettleTrace, rail=st.sampled_from("ab"), target_v=VOLTS, points=POINTS), max_size=5)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    name: str
    alike: float | None
    other: float | int | bool | None


CELLS = st.lists(st.builds(Cell, name=st.text(max_size=2), alike=MAYBE, other=MAYBE | st.booleans()), max_size=6)


def bits(value):
    return (type(value), math.copysign(1, value)) if isinstance(value, float) else type(value)


@given(st.lists(CELLS, max_size=6))
def test_packed_records_are_the_same_to_the_last_bit(groups):
    packer = Packer(Cell, alike=("alike",))
    # Packed all before any is looked at: what one group shares with another must fit both.
    for records, packed in [(group, packer.pack(group)) for group in groups]:
        assert list(packed) == records
        assert len(packed) == len(records)
        assert [packed[index] for index in range(len(records))] == records
        for name in ("name", "alike", "other"):
            found, wanted = list(column_of(packed, name)), [getattr(record, name) for record in records]
            assert (found, [*map(bits, found)]) == (wanted, [*map(bits, wanted)])


@given(TRACES)
def test_paths_of_any_length_come_back(traces):
    packed = Packer(SettleTrace, alike=("target_v",), paths=("points",)).pack(traces)
    assert tuple(packed) == tuple(traces)
    assert [packed[index - len(traces)] for index in range(len(traces))] == traces


def test_a_number_that_is_none_stays_apart_from_one_that_is_missing():
    packed = Packer(Cell).pack([Cell(name="a", alike=math.nan, other=None), Cell(name="b", alike=None, other=1.0)])
    assert math.isnan(packed[0].alike)
    assert packed[1].alike is None


def test_what_comes_again_is_held_once():
    packer = Packer(Cell, alike=("alike",))
    first, second = (packer.pack([Cell(name="".join(["VDD", "_IO"]), alike=0.1 + 0.2, other=0.1)]) for _ in range(2))
    assert first.column("name") is second.column("name")
    assert first.column("alike") is second.column("alike")
    assert first.column("other") is not second.column("other")


def test_packed_records_are_used_like_a_tuple():
    readings = a_visit(0, rails=3).readings
    packed = Packer(Reading).pack(readings)
    assert packed == readings
    assert readings == packed
    assert packed != readings[:2]
    assert packed != (replace(readings[0], word=1), *readings[1:])
    assert hash(packed) == hash(readings)
    assert repr(packed) == repr(readings)
    assert (packed[-1], packed[1:], readings[0] in packed) == (readings[-1], readings[1:], True)
    with pytest.raises(IndexError, match="3 of 3 records"):
        packed[3]
    with pytest.raises(KeyError):
        packed.column("volts")
    assert Packer(Reading).pack(()) == ()


def test_packed_records_are_frozen_too():
    reading = Packer(Reading).pack(a_visit(0, rails=1).readings)[0]
    with pytest.raises(AttributeError):
        reading.word = 2


def test_records_that_do_more_than_hold_values_are_refused():
    @dataclass(frozen=True, slots=True)
    class Checked:
        value: float

        def __post_init__(self):
            raise AssertionError("never made")

    for kind in (Checked, dict):
        with pytest.raises(TypeError, match="is no dataclass with slots"):
            Packer(kind)


def test_a_packed_visit_is_kept_as_text_like_any_other():
    record = a_visit(0, rails=2)
    packed = replace(
        record,
        readings=Packer(Reading).pack(record.readings),
        watched=Packer(WatchRange).pack(record.watched),
        traces=Packer(SettleTrace, paths=("points",)).pack(record.traces),
    )
    assert to_json(packed) == to_json(record)
    assert from_json(to_json(packed), VisitRecord) == record
