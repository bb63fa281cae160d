"""A staged run as a person starts it: what fails alone is left out, told, and still so after a resume."""

import signal

import pytest
from test_resume import passes, wait_for_visits

RUN = ("run", "staged.yaml", "--serial", "00123", "--seed", "3", "--no-workbook")


@pytest.fixture
def staged(desk):
    text = (desk / "quickstart.yaml").read_text(encoding="utf-8")
    schemes = text[text.index("  schemes:") : text.index("  forbidden:")]
    checks = text[text.index("checks:") : text.index("criteria:")]
    text = text.replace(
        schemes,
        "  staged: {stop_after: {all_rails: every failure}}\n  schemes:\n    - all_rails: [high, low]\n"
        "    - single_rail: [high, low]\n    - covering: {levels: [high, low]}\n",
    )
    text = text.replace(checks, 'checks:\n  - {name: edge, python: "edge.py:edge", trials: 30, timeout: 5 s}\n')
    (desk / "staged.yaml").write_text(text.replace("  trim: {claim: 0.25 %}\n", ""), encoding="utf-8")
    limit = "def edge(view):\n    return view.readings['VDD_SRAM'].best_v > 0.88\n"
    (desk / "edge.py").write_text(limit, encoding="utf-8")
    return desk / "staged.yaml"


@pytest.mark.usefixtures("staged")
def test_a_level_that_fails_alone_is_left_out_of_what_follows(cornerrun):
    end = cornerrun(*RUN, "--json")
    assert end.code == 1, end.err
    assert "stages: VDD_SRAM low failed alone, at corner 'VDD_SRAM low'; left out from here on" in end.err
    corners = {row["name"]: row for row in end.data["corners"]}
    assert corners["VDD_SRAM low"]["outcome"] == "fail-functional"
    after = [name for name in corners if name.startswith("covering")]
    assert after
    assert {corners[name]["outcome"] for name in after} == {"pass"}
    left_out = [row for row in end.data["not_tested"] if "failed alone" in row["reason"]]
    assert left_out
    text = cornerrun("report").out
    assert "VDD_SRAM low failed alone" in text
    assert cornerrun("audit").code == 0


def test_a_staged_run_that_was_stopped_goes_on_the_same(cornerrun, start, simulate, desk, staged):
    cornerrun(*RUN)
    expected = list(passes(desk)[0])
    _, bench = simulate()
    for visits in (6, 14):
        cornerrun("to-nominal", "staged.yaml", "--bench", bench)
        process = start(*RUN, "--bench", bench)
        wait_for_visits(process, visits)
        process.send_signal(signal.SIGINT)
        process.communicate()
        assert process.returncode == 130
        end = cornerrun("resume", "--no-workbook")
        assert end.code == 1, end.err
        assert [row[1:] for row in passes(desk)[0] if row[0] <= expected[-1][0]] == [row[1:] for row in expected]
        assert cornerrun("audit").code == 0


def test_the_stages_end_where_the_plan_says(cornerrun, staged, desk):
    (desk / "edge.py").write_text("def edge(view):\n    return set(view.levels.values()) == {'nominal'}\n")
    end = cornerrun(*RUN, "--json")
    assert end.code == 1, end.err
    visited = [row["name"] for row in end.data["corners"] if row["visits"]]
    assert set(visited) <= {"nominal", "all high", "all low"}
    reasons = {row["reason"] for row in end.data["not_tested"]}
    assert "the stages end after all_rails, as the plan asks: 2 of 2 corners failed" in reasons
