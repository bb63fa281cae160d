"""`cornerrun audit` as a reviewer uses it."""

import sqlite3

import pytest

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3", "--no-workbook", "--only", "all high")


@pytest.fixture
def kept(cornerrun):
    return cornerrun(*QUICK)


def test_a_run_is_sound_and_its_report_shows_the_head(cornerrun, kept, desk):
    audited = cornerrun("audit", "--json").data
    assert audited["is_sound"]
    assert audited["findings"] == []
    shown = f"{audited['links']}:{audited['head']}"
    assert shown in kept.out
    report = cornerrun("report", "--json").data
    assert report["header"]["trail"] == {"links": audited["links"], "sha256": audited["head"]}
    assert audited["head"] in (desk / "results" / "runs.sqlite.heads.jsonl").read_text()
    end = cornerrun("audit", "last", "--head", shown)
    assert (end.code, "unchanged" in end.out) == (0, True)


def test_a_reading_that_was_made_better_is_found(cornerrun, kept, desk):
    store = sqlite3.connect(desk / "results" / "runs.sqlite")
    store.execute("UPDATE readings SET reference_v = 1.8 WHERE rail = 'VDD_IO' AND visit = 1")
    store.commit()
    store.close()
    end = cornerrun("audit")
    assert end.code == 3
    assert "(visit 2)" in end.out


def test_a_head_of_another_report_is_found(cornerrun, kept):
    end = cornerrun("audit", "--head", f"4:{'0' * 64}")
    assert (end.code, "head of the report" in end.out) == (3, True)


@pytest.mark.parametrize("head", ["", "12", "x:y", "12:", ":ab"])
def test_a_head_that_is_none_is_refused(cornerrun, kept, head):
    assert cornerrun("audit", "--head", head).code == 2


def test_without_a_store_it_says_where_it_looked(cornerrun):
    end = cornerrun("audit")
    assert (end.code, "runs.sqlite" in end.err) == (3, True)
