"""`cornerrun report` as a person calls it: templates of their own, plans that were released."""

import shutil
import zipfile

import openpyxl
import pytest
from jsonschema import Draft202012Validator

from cornerrun.report.machine_schema import report_schema
from cornerrun.report.template import find_template


@pytest.fixture
def kept(cornerrun):
    assert cornerrun("run", "quickstart.yaml", "--serial", "00123", "--no-workbook").code == 1
    return "last"


def cells(path, sheet):
    return [cell for row in openpyxl.load_workbook(path)[sheet].iter_rows(values_only=True) for cell in row if cell]


def test_what_a_template_loses_is_named_on_stderr_and_in_the_workbook(cornerrun, kept, desk):
    own = desk / "own.xlsm"
    shutil.copy(find_template(), own)
    with zipfile.ZipFile(own, "a") as package:
        package.writestr("xl/vbaProject.bin", b"x")
    told = cornerrun("report", kept, "--template", own.name, "--out", "out.xlsx")
    assert told.code == 0
    assert "own.xlsm: not taken over: macros" in told.err
    assert "of the template's: macros" in cells(desk / "out.xlsx", "Guide")


def test_a_broken_template_writes_nothing_and_says_what_to_do(cornerrun, kept, desk):
    (desk / "own.xlsx").write_bytes(b"no workbook")
    told = cornerrun("report", kept, "--template", "own.xlsx", "--out", "out.xlsx")
    assert told.code not in {0, 1}
    assert "own.xlsx: is no workbook (.xlsx)" in told.err
    assert "results_template/README.md" in told.err
    assert not (desk / "out.xlsx").exists()


def test_differences_from_a_released_plan_stand_in_the_signoff(cornerrun, kept, desk):
    text = (desk / "quickstart.yaml").read_text()
    (desk / "released.yaml").write_text(text.replace("title: ", "title: Released ", 1))
    assert cornerrun("report", kept, "--released", "released.yaml", "--out", "out.xlsx").code == 0
    found = cells(desk / "out.xlsx", "Sign-off")
    assert "title" in found
    assert any(str(cell).startswith("Differences from the released plan released.yaml, SHA-256") for cell in found)


def test_what_a_check_prints_is_harmless_in_json(cornerrun, desk):
    text = r'A\033[31m\377\007\r\302\233=1+1,"</script>\342\200\256\000'
    (desk / "quickstart_link_errors.sh").write_text(f"#!/bin/sh\nprintf '%b' '{text}'\nexit 1\n")
    run = cornerrun("run", "quickstart.yaml", "--serial", '=1+1"</script>', "--only", "all low", "--json")
    assert run.code == 1
    told = cornerrun("report", "--json")
    Draft202012Validator(report_schema()).validate(told.data)
    assert told.data == run.data
    for name in ("runs", "boards", "report"):
        for arguments in ([name], [name, "--json"]):
            out = cornerrun(*arguments).out
            assert not set(out) & set("\x1b\x07\r\x9b\u202e")
