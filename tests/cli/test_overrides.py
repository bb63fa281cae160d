"""What a plan does against the usual cautions: a line in the plan, a named person, page one of the report."""

import pytest

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3", "--only", "all low")
AS = ("--confirm", "A. Tester")
IGNORED = "overrides: {ignored_faults: {because: 'VDDQ at the edge of its fault limit', rails: [VDDQ]}}\n"


@pytest.fixture
def add(desk):
    """Append text to a file of the desk."""

    def call(name, text):
        with (desk / name).open("a", encoding="utf-8") as file:
            file.write(text)

    return call


@pytest.fixture
def low_limit(desk):
    """Let VDDQ's under-voltage fault limit lie inside its margin of 1.14 V: at low it trips."""
    path = desk / "quickstart_board.yaml"
    text = path.read_text(encoding="utf-8")
    line = "    power: {device: PM1, page: 2}\n"
    assert line in text
    path.write_text(text.replace(line, f"{line}    limits: {{uv_fault: 1.16 V}}\n"), encoding="utf-8")


def test_an_override_without_a_named_person_moves_nothing(cornerrun, add, desk):
    add("quickstart.yaml", IGNORED)
    end = cornerrun(*QUICK, stdin=-3)
    assert end.code == 2
    assert "--confirm NAME" in end.err
    assert "faults ignored on VDDQ: VDDQ at the edge" in end.err
    assert not (desk / "results" / "runs.sqlite").exists()
    assert cornerrun(*QUICK, "--confirm", "  ").code == 2


def test_without_an_override_nobody_is_asked(cornerrun):
    assert "confirmed" not in cornerrun(*QUICK, "--no-workbook", stdin=-3).err


def test_ignored_faults_stand_on_page_one(cornerrun, add):
    add("quickstart.yaml", IGNORED)
    end = cornerrun(*QUICK, *AS)
    assert end.code in (0, 1), end.err
    shown = end.out.split("\n\n")[0]
    assert "OVERRIDE: faults ignored on VDDQ" in shown
    assert "confirmed by A. Tester" in shown
    data = cornerrun("report", "--json").data
    assert data["overrides"] == ["faults ignored on VDDQ: VDDQ at the edge of its fault limit; confirmed by A. Tester"]


def test_ignored_faults_do_not_hide_a_level_that_would_trip_on_the_way_back(cornerrun, add, low_limit):
    add("quickstart.yaml", IGNORED)
    end = cornerrun(*QUICK, *AS)
    assert end.code == 2
    assert "uv_fault" in end.err


def test_widened_limits_let_a_rail_stand_where_it_tripped_and_come_back(cornerrun, add, low_limit):
    add(
        "quickstart.yaml",
        "overrides: {widened_limits: {because: 'as the review asks', rails: {VDDQ: {uv_fault: 1.12 V}}}}\n",
    )
    end = cornerrun(*QUICK, *AS, "--no-workbook")
    assert end.code in (0, 1), end.err
    assert "tripped" not in end.out
    assert "configuration changed" not in end.out
    assert "VOUT_UV_FAULT_LIMIT was moved to 1.12" in end.out


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{widened_limits: {because: x, rails: {VDDQ: {uv_fault: 0.9 V}}}}", "beyond the hard limits"),
        ("{widened_limits: {because: x, rails: {VDDQ: {}}}}", "no limit is given"),
        ("{widened_limits: {because: x, rails: {VDDX: {uv_fault: 1 V}}}}", "no rail or group is called 'VDDX'"),
        ("{ignored_faults: {because: x, rails: [VDDX]}}", "no rail or group is called 'VDDX'"),
        ("{ignored_faults: {rails: [VDDQ]}}", "because"),
        ("{expired_calibration: {}}", "because"),
        ("{smoke: {because: x}}", "unknown key 'smoke'"),
    ],
)
def test_an_override_that_makes_no_sense_is_refused_with_its_place(cornerrun, add, text, told):
    add("quickstart.yaml", f"overrides: {text}\n")
    end = cornerrun("preflight", "quickstart.yaml")
    assert end.code == 2
    assert told in end.err + end.out
    assert "overrides" in end.err + end.out


def test_an_expired_calibration_stops_a_run_unless_the_plan_and_a_person_say_otherwise(cornerrun, add, desk):
    path = desk / "quickstart_bench.yaml"
    text = path.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.strip().startswith("due:")]
    place = next(n for n, line in enumerate(lines) if line.strip().startswith("calibrated:"))
    indent = " " * (len(lines[place]) - len(lines[place].lstrip()))
    lines[place : place + 1] = [f"{indent}calibrated: 2020-01-01", f"{indent}due: 2021-01-01"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    end = cornerrun(*QUICK)
    assert end.code == 2
    assert "was due on 2021-01-01" in end.err
    add("quickstart.yaml", "overrides: {expired_calibration: {because: 'the laboratory is shut until Friday'}}\n")
    assert cornerrun(*QUICK, stdin=-3).code == 2
    end = cornerrun(*QUICK, *AS, "--no-workbook")
    assert end.code in (0, 1, 3), end.err
    assert "OVERRIDE: expired calibration: the laboratory is shut until Friday; confirmed by A. Tester" in end.out
