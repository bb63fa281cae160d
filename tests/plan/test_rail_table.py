from pathlib import Path

import pytest

from cornerrun.errors import PlanProblems
from cornerrun.plan.load import load_plan

PLAN = """\
format: 1
title: Tide-gauge node
board: {name: tide-gauge node, revision: C}
devices: {PM1: {bus: main, address: 0x40}}
defaults: {rail: {accuracy: 0.5 %, settle: {band: 1 %, stable_for: 60 ms, timeout: 2 s}}}
rails: rails.csv
corners: {schemes: [{all_rails: [high]}]}
"""
TABLE = """\
name,nominal,margin.high,margin.low,levels.low7,hard_limits.min,hard_limits.max,power.device,power.page,settle.timeout
CORE,0.85 V,5 %,3 %,-7 %,0.78 V,0.92 V,PM1,0,5 s
"IO, pads",1.8 V,1.89 V,,,1.62 V,1.98 V,PM1,0x1,
AUX,3.3 V,,,,3 V,3.6 V,,,
"""


@pytest.fixture
def tabled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)

    def load(table: str | bytes, plan: str = PLAN):
        Path("plan.yaml").write_text(plan, encoding="utf-8")
        Path("rails.csv").write_bytes(table if isinstance(table, bytes) else table.encode())
        return load_plan(Path("plan.yaml"))

    return load


def test_rails_come_from_a_table_with_the_keys_of_the_plan(tabled) -> None:
    plan = tabled(TABLE)
    assert [rail.name for rail in plan.rails] == ["CORE", "IO, pads", "AUX"]
    assert plan.rail("CORE").levels == {"nominal": 0.85, "high": 0.8925, "low": 0.8245, "low7": 0.7905}
    assert plan.rail("CORE").settle.timeout_s == 5.0
    assert plan.rail("CORE").settle.band_ratio == 0.01
    assert plan.rail("IO, pads").levels == {"nominal": 1.8, "high": 1.89}
    assert plan.rail("AUX").power is None
    assert [source.role for source in plan.sources] == ["plan", "rails"]


@pytest.mark.parametrize("encode", [
    lambda text: text.replace(",", ";").replace("IO; pads", "IO, pads").encode("utf-8-sig"),
    lambda text: text.replace("\n", "\r\n").encode(),
    lambda text: (text.replace("\n", ",,\n") + ",,,,\n\n").encode(),
])  # fmt: skip
def test_tables_of_spreadsheets_are_read(tabled, encode) -> None:
    assert tabled(encode(TABLE)).rail("IO, pads").nominal_v == 1.8


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("CORE,0.85 V", "CORE,0.85", "rails.csv:2:6: rails[CORE].nominal: '0.85' has no unit; write it like '0.85 V'"),
        ("name,nominal", "name,nominl", ("rails.csv:1:6: rails[CORE].nominl: unknown key 'nominl'; "
         "did you mean 'nominal'?")),
        ("AUX,3.3 V", "AUX,", "rails.csv:4:1: rails[AUX].nominal: is missing; write 'nominal: 0.85 V'"),
        ("PM1,0x1", "PM2,0x1", ("rails.csv:3:41: rails[IO, pads].power.device: no device is called 'PM2'; "
         "did you mean 'PM1'?")),
        ("5 %,3 %", "5 %,-3 %", ("rails.csv:2:17: rails[CORE].margin.low: '-3 %' has a sign; "
         "a margin is a magnitude: write '3 %'")),
        ("power.page,settle.timeout", "power.page,power.page", (
            "rails.csv:1:105: rails: the column 'power.page' stands here twice; "
         "delete one of the two")),
        ("margin.high,margin.low", "margin,margin.low", (
            "rails.csv:2:17: rails[CORE].margin: is given twice in this row; "
         "leave one of the two cells empty")),
        ("AUX,3.3 V,,,,3 V", '"AUX,3.3 V,,,,3 V', ("rails.csv:4:1: cell: a quote is not closed in its cell; "
         "close it, or double a quote that is meant")),
    ],
)  # fmt: skip
def test_a_mistake_in_a_table_is_told_with_its_cell(tabled, old: str, new: str, said: str) -> None:
    assert TABLE.count(old) == 1
    with pytest.raises(PlanProblems) as caught:
        tabled(TABLE.replace(old, new))
    assert said in str(caught.value).splitlines()


def test_a_table_that_is_not_there_is_told_and_makes_no_other_problem(tabled) -> None:
    with pytest.raises(PlanProblems) as caught:
        tabled(TABLE, PLAN.replace("rails.csv", "rail.csv"))
    assert str(caught.value) == "rail.csv:1:1: rails: there is no such file; did you mean 'rails.csv'?"


@pytest.mark.parametrize("table", ["", "\n\n", "name,nominal\n"])
def test_an_empty_table_is_told(tabled, table: str) -> None:
    with pytest.raises(PlanProblems) as caught:
        tabled(table)
    assert [problem.path.name for problem in caught.value.problems] == ["rails.csv"]
