import math
from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from large_run import a_large_run

from cornerrun.errors import ReportError
from cornerrun.results import parquet
from cornerrun.results.parquet import export_parquet
from cornerrun.results.tables import COLUMNS, rows


def _tables(files):
    return {path.stem: pq.read_table(path) for path in files}


def test_every_table_comes_back_with_the_values_of_the_store(tmp_path):
    run = a_large_run(rails=3, corners=30)
    tables = _tables(export_parquet(run, tmp_path))
    for name, table in tables.items():
        assert tuple(table.column_names) == COLUMNS[name]
    asked = [row[COLUMNS["readings"].index("reference_v")] for row in rows(run, "readings")]
    assert tables["readings"]["reference_v"].to_pylist() == asked


def test_a_table_of_many_groups_of_rows_is_the_same_table(tmp_path, monkeypatch):
    run = a_large_run(rails=3, corners=30)
    whole = _tables(export_parquet(run, tmp_path / "whole"))
    monkeypatch.setattr(parquet, "_ROWS_A_GROUP", 7)
    files = export_parquet(run, tmp_path / "groups")
    assert _tables(files) == whole
    assert pq.ParquetFile(tmp_path / "groups" / "readings.parquet").num_row_groups == 13


def test_columns_are_typed_and_carry_their_units(tmp_path):
    schema = _tables(export_parquet(a_large_run(rails=3, corners=9), tmp_path))["readings"].schema
    assert schema.field("reference_v").type == pa.float64()
    assert schema.field("reference_v").metadata == {b"unit": b"V"}
    assert schema.field("settle_s").metadata == {b"unit": b"s"}
    assert schema.field("temperature_degc").metadata == {b"unit": b"degC"}
    assert schema.field("word").type == pa.int64()
    assert schema.field("is_control").type == pa.bool_()
    visits = pq.read_schema(tmp_path / "visits.parquet")
    assert visits.field("started_utc").type == pa.timestamp("us", tz="UTC")


def test_the_file_says_which_run_and_from_which_files(tmp_path):
    run = a_large_run(rails=2, corners=3)
    export_parquet(run, tmp_path)
    metadata = pq.read_schema(tmp_path / "visits.parquet").metadata
    assert metadata[b"run_id"] == run.run.run_id.encode()
    assert metadata[b"sha256:plan:node.yaml"] == b"0" * 64
    assert metadata[b"version:cornerrun"] == b"0.1.0"


def test_what_was_not_measured_is_null_and_no_number_is_null_too(tmp_path):
    run = a_large_run(rails=2, corners=1)
    first = run.visits[0]
    readings = (replace(first.readings[0], reference_v=None), replace(first.readings[1], target_v=math.nan))
    tables = _tables(export_parquet(replace(run, visits=(replace(first, readings=readings),)), tmp_path))
    assert tables["readings"]["reference_v"].to_pylist()[0] is None
    assert tables["readings"]["target_v"].to_pylist()[1] is None


def test_hostile_text_is_kept_as_text(tmp_path):
    hostile = "=1+1\x00<&>\"'\n\udcff"
    run = a_large_run(rails=2, corners=1)
    first = run.visits[0]
    bad = replace(first, visit=replace(first.visit, reason=hostile))
    tables = _tables(export_parquet(replace(run, visits=(bad,)), tmp_path))
    assert tables["visits"]["reason"].to_pylist() == ["=1+1\\x00<&>\"'\n\\udcff"]


def test_a_table_without_rows_leaves_no_old_file(tmp_path):
    export_parquet(a_large_run(rails=2, corners=30), tmp_path)
    assert (tmp_path / "faults.parquet").exists()
    export_parquet(a_large_run(rails=2, corners=3, is_troubled=False), tmp_path)
    assert not (tmp_path / "faults.parquet").exists()


def test_a_folder_that_cannot_be_written_says_so(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ReportError, match="cannot be written"):
        export_parquet(a_large_run(rails=2, corners=1), tmp_path / "file")
