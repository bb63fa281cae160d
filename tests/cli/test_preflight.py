import json
import re

import pytest

from cornerrun.cli.main import main


@pytest.fixture
def preflight(desk, monkeypatch, capsys):
    """Call the command in this process, in a folder with the demo plans."""
    monkeypatch.chdir(desk)

    def call(*arguments, columns=100):
        monkeypatch.setenv("COLUMNS", str(columns))
        with pytest.raises(SystemExit) as ended:
            main(["preflight", *map(str, arguments)])
        captured = capsys.readouterr()
        return ended.value.code, captured.out, captured.err

    return call


def spoil(desk, old, new, name="quickstart.yaml"):
    path = desk / name
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize("plan", ["quickstart.yaml", "forty_rails.yaml"])
def test_the_plans_of_the_package_can_be_run(preflight, plan):
    code, out, err = preflight(plan)
    assert (code, err) == (0, "")
    assert out.rstrip().endswith("a run can start")
    assert "SIMULATED" in out


def test_shows_each_level_in_volts_in_code_and_after_quantisation(preflight):
    out = preflight("quickstart.yaml")[1]
    # ULINEAR16 with exponent -12, as the simulated devices have: 0.8925 V is 3655.68 steps, so 3656 = 0x0E48.
    line = next(line for line in out.splitlines() if line.split()[:2] == ["high", "0.8925"])
    assert "0x0E48" in line
    assert "0.89258 V" in line
    assert "+0.078 mV" in line
    assert line.endswith("● ok")


@pytest.mark.parametrize("columns", [80, 100, 120])
@pytest.mark.parametrize("plan", ["quickstart.yaml", "forty_rails.yaml"])
def test_fits_the_terminal(preflight, plan, columns):
    lines = preflight(plan, columns=columns)[1].splitlines()
    assert max(map(len, lines)) <= columns


def test_lists_every_problem_of_plan_and_bench_together(preflight, desk):
    spoil(desk, "nominal: 0.85 V", "nominal: 0.85")
    spoil(desk, "trials: 30", "trials: 30.5")
    spoil(desk, "period: 100 ms", "period: 100", "quickstart_bench.yaml")
    code, out, err = preflight("quickstart.yaml")
    assert (code, out) == (2, "")
    places = re.findall(r"([\w./]+\.yaml):\d+:\d+: ([\w\[\] .]+):", err)
    assert [field for _, field in places] == ["rails[VDD_CORE].nominal", "checks[memory march].trials", "watch.period"]
    assert "Traceback" not in err


def test_problems_and_findings_are_to_be_had_as_json(preflight, desk):
    code, out, _ = preflight("quickstart.yaml", "--json")
    data = json.loads(out)
    assert (code, data["ready"], data["problems"]) == (0, True, [])
    assert {row["verdict"] for row in data["levels"]} == {"ok", "not commanded"}
    assert data["visits"] >= data["corners"] > 0
    spoil(desk, "nominal: 0.85 V", "nominal: 0.85")
    code, out, _ = preflight("quickstart.yaml", "--json")
    data = json.loads(out)
    assert (code, data["ready"]) == (2, False)
    assert data["problems"][0]["field"] == "rails[VDD_CORE].nominal"
    assert data["problems"][0]["advice"] == "write it like '0.85 V'"


def test_trials_that_can_never_show_what_is_asked_end_with_2(preflight, desk):
    spoil(desk, "trials: 30", "trials: 20")
    code, out, _ = preflight("quickstart.yaml")
    assert code == 2
    text = " ".join(out.split())
    # 20 trials without a failure show 0.05 ** (1 / 20) = 86.1 % at 95 % (zero-failure demonstration, computed).
    assert "■ ERROR trials quickstart.yaml" in text
    assert "without a failure they show 86.1 % at 95 % confidence, and can never show the 90 % that is asked" in text
    assert out.rstrip().endswith("a run would stop here")


def test_a_run_refuses_what_preflight_refuses(cornerrun, desk):
    spoil(desk, "trials: 30", "trials: 20")
    ended = cornerrun("run", "quickstart.yaml", "--serial", "1")
    assert ended.code == 2
    assert "preflight finds 1 error" in ended.err
    assert not (desk / "results").exists()


def test_a_plan_whose_bench_is_elsewhere_is_looked_at_without_it(preflight, desk):
    (desk / "quickstart_bench.yaml").unlink()
    code, out, _ = preflight("quickstart.yaml")
    assert code == 0
    assert "quickstart_bench.yaml is not here: looked at without it" in out
    assert "code unknown" in out


def test_a_bench_that_is_named_must_be_there(preflight):
    code, _, err = preflight("quickstart.yaml", "--bench", "nowhere.yaml")
    assert code == 2
    assert "nowhere.yaml:1:1: bench: there is no such file" in err


def test_a_broken_simulation_file_is_told(preflight, desk):
    spoil(desk, "rails:", "rials:", "quickstart_board.yaml")
    code, _, err = preflight("quickstart.yaml")
    assert code == 2
    assert "unknown key 'rials'; did you mean 'rails'?" in err


def test_a_plan_that_is_not_there_is_told(preflight):
    code, _, err = preflight("quikstart.yaml")
    assert code == 2
    assert "quikstart.yaml:1:1: plan: there is no such file; did you mean 'quickstart.yaml'?" in err


def test_a_limits_file_on_the_command_line_binds_the_plan(preflight, desk):
    names = re.findall(r"- name: (V\w+)", (desk / "quickstart.yaml").read_text(encoding="utf-8"))
    assert names
    rails = "\n".join(f"  {name}: {{min: 0.1 V, max: 0.2 V}}" for name in names)
    (desk / "strict.yaml").write_text(f"format: 1\nowner: hardware safety\nrails:\n{rails}\n", encoding="utf-8")
    code, _, err = preflight("quickstart.yaml", "--limits", "strict.yaml")
    assert code == 2
    assert "a plan may only be tighter: write '200 mV', or ask hardware safety" in err


def test_tells_what_a_run_takes_and_wears(preflight):
    out = preflight("quickstart.yaml")[1]
    # 30 trials of 20 ms and 30 of 5 ms at 20 visits, 400 ms of link errors at six: 17.4 s of checks.
    assert re.search(r"^A run takes about 2\d(\.\d)? s: 20 visits$", out, re.MULTILINE)
    assert re.search(r"^  checks +17\.4 s +6\d\.\d %$", out, re.MULTILINE)
    assert "Wear: 120 relay closures, 0 power cycles, 0 writes to non-volatile memory" in out
    assert "Above nominal: VDD_CORE" in out
    budget = json.loads(preflight("quickstart.yaml", "--json")[1])["budget"]
    assert sum(budget["phases_s"].values()) == pytest.approx(budget["total_s"])
    assert (budget["relay_closures"], budget["power_cycles"], budget["stores"]) == (120, 0, 0)


def test_without_a_bench_it_says_that_time_is_not_reckoned(preflight, desk):
    (desk / "quickstart_bench.yaml").unlink()
    out = preflight("quickstart.yaml")[1]
    assert "How long a run takes is not reckoned: no bench file tells how fast bus and meter are." in out


def test_a_bench_behind_tcp_is_read_only_if_it_is_named(preflight, desk):
    spoil(desk, "link: simulated", "link: 'tcp:127.0.0.1:9'", "quickstart_bench.yaml")
    assert "could not be read" not in preflight("quickstart.yaml")[1]
    code, out, _ = preflight("quickstart.yaml", "--bench", "quickstart_bench.yaml")
    assert (code, "PM1 could not be read" in out) == (0, True)


def test_a_snapshot_of_an_earlier_run_serves_where_the_bench_is_elsewhere(preflight, cornerrun, desk):
    spoil(
        desk,
        "    time_constant: 6 ms",
        "    time_constant: 6 ms\n    limits: {ov_warn: 1.30 V}",
        "quickstart_board.yaml",
    )
    assert cornerrun("run", "quickstart.yaml", "--serial", "1", "--no-workbook").code in {0, 1}
    (desk / "quickstart_bench.yaml").unlink()
    code, out, _ = preflight("quickstart.yaml", "--snapshot", "last")
    assert (code, "device formats and limits of 5 rails: the snapshot" in out) == (0, True)
    spoil(desk, "margin: {high: 1.26 V, low: 1.14 V}", "margin: {high: 1.275 V, low: 1.14 V}")
    spoil(desk, "min: 1.11 V, max: 1.29 V", "min: 1.11 V, max: 1.32 V")
    spoil(desk, "min: 0.55 V, max: 0.65 V", "min: 0.55 V, max: 0.66 V")
    out = " ".join(preflight("quickstart.yaml", "--snapshot", "last")[1].split())
    # At high of 1.295 V, 0.5 % takes it to 1.3015 V: beyond what the device held.
    assert "ov_warn in the device" not in out
    spoil(desk, "high: 1.275 V", "high: 1.295 V")
    out = " ".join(preflight("quickstart.yaml", "--snapshot", "last")[1].split())
    assert "and ov_warn in the device of 1.3 V acts there: the device would warn" in out


def test_a_run_without_a_snapshot_is_told(preflight, desk):
    code, _, err = preflight("quickstart.yaml", "--snapshot", "last")
    assert code != 0
    assert "no run has been kept in results" in err
