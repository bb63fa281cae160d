from dataclasses import replace

import pytest
from run_example import a_proof, a_run, a_visit, an_event

from cornerrun.results.records import RunData
from cornerrun.results.tables import COLUMNS, frame, frames, rows


@pytest.fixture
def data():
    return RunData(run=a_run(), visits=tuple(a_visit(n) for n in range(3)), events=(an_event(),), proof=(a_proof(),))


def test_every_table_has_as_many_cells_in_a_row_as_columns(data):
    for table, columns in COLUMNS.items():
        content = list(rows(data, table))
        assert content, table
        assert {len(row) for row in content} == {len(columns)}, table


def test_readings_have_one_row_a_rail_and_visit(data):
    readings = frame(data, "readings")
    assert len(readings) == 3 * 2
    assert readings["reference_v"].tolist() == [1.05 + 1.1e-4] * 6
    assert set(readings["outcome"]) == {"pass"}


def test_a_serial_stays_text(data):
    assert frame(data, "run")["serial"].tolist() == ["00123"]


def test_every_named_number_of_a_trial_has_its_row(data):
    numbers = frame(data, "numbers")
    assert numbers["result"].tolist() == [0.0, 1 / 3, 2 / 3] * 3


def test_a_capture_names_the_fault_it_belongs_to(data):
    assert frame(data, "faults")["fault"].tolist() == [1]
    assert frame(data, "captures").iloc[0].tolist() == [1, 2, "RAIL_0", 0.5, "STATUS_WORD", 0x8810, "00ff3d"]


def test_an_empty_table_keeps_its_columns(data):
    empty = frames(replace(data, visits=(), events=()))
    assert len(empty["readings"]) == 0
    assert tuple(empty["readings"].columns) == COLUMNS["readings"]


def test_a_table_that_is_not_there_is_a_key_error(data):
    with pytest.raises(KeyError):
        rows(data, "nosuch")
