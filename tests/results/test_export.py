import csv
from dataclasses import replace

import pytest
from run_example import a_change, a_proof, a_run, a_visit, an_event

from cornerrun.errors import ReportError
from cornerrun.results.export import export_csv
from cornerrun.results.records import RunData
from cornerrun.results.tables import COLUMNS


def data(**changes):
    return RunData(
        run=a_run(**changes), visits=tuple(a_visit(n) for n in range(3)), events=(an_event(),), proof=(a_proof(),)
    )


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_table_becomes_a_file_that_reads_back(tmp_path):
    files = export_csv(data(), tmp_path / "csv")
    assert {file.stem for file in files} == set(COLUMNS)
    readings = read(tmp_path / "csv" / "readings.csv")
    assert float(readings[0]["reference_v"]) == 1.05 + 1.1e-4
    assert readings[0]["current_a"] == ""
    assert read(tmp_path / "csv" / "run.csv")[0]["serial"] == "00123"


def test_lines_end_as_the_rfc_wants(tmp_path):
    export_csv(data(), tmp_path)
    raw = (tmp_path / "events.csv").read_bytes()
    assert raw.count(b"\n") == raw.count(b"\r\n") == 2


def test_changes_of_conditions_stand_with_their_visit_and_those_to_rest_without_one(tmp_path):
    export_csv(replace(data(), rests=(a_change(""),)), tmp_path)
    found = read(tmp_path / "changes.csv")
    assert [(row["visit"], row["level"]) for row in found] == [("0", "hot"), ("1", "hot"), ("2", "hot"), ("", "")]
    assert (float(found[0]["target"]), found[0]["unit"], found[0]["is_board_on"]) == (70.0, "degC", "0")
    assert float(found[0]["started_s"]) == 1 / 3
    assert len(read(tmp_path / "change_traces.csv")) == 4 * 3


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1"])
def test_text_that_looks_like_a_formula_is_marked_as_text(tmp_path, text):
    export_csv(data(serial=text), tmp_path)
    assert read(tmp_path / "run.csv")[0]["serial"] == f"'{text}"


@pytest.mark.parametrize("text", ['a,"b"\nc', "\udcff", "x" * 100_000, "电"])
def test_hostile_text_stays_in_its_cell(tmp_path, text):
    export_csv(data(serial=text), tmp_path)
    (row,) = read(tmp_path / "run.csv")
    assert row["serial"] == text.replace("\udcff", "\\udcff")
    assert row["title"] == "Tide-gauge node"


def test_negative_numbers_are_no_formulas(tmp_path):
    changed = data()
    visit = changed.visits[0]
    reading = replace(visit.readings[0], target_v=-12.0)
    export_csv(replace(changed, visits=(replace(visit, readings=(reading,)),)), tmp_path)
    assert read(tmp_path / "readings.csv")[0]["target_v"] == "-12.0"


def test_a_table_without_rows_leaves_no_file_of_an_earlier_run(tmp_path):
    export_csv(data(), tmp_path)
    files = export_csv(replace(data(), events=()), tmp_path)
    assert tmp_path / "events.csv" not in files
    assert not (tmp_path / "events.csv").exists()


def test_a_folder_that_cannot_be_made_is_a_report_error(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="cannot be written"):
        export_csv(data(), tmp_path / "file" / "csv")
